import { access, readdir, readFile, realpath } from "node:fs/promises";
import { dirname, join } from "node:path";
import type { SerialPortInfo } from "./serial-system.js";

/** From a port up to the USB device that it belongs to: 2 or 3 folders; more costs little. */
const PARENTS_MAX = 6;

/**
 * Serial ports by what the kernel tells in its files: works in containers and on small systems,
 * where no program for it is installed. Pseudo-terminals are not among them: they have no device.
 *
 * @param root - where `sys` and `dev` are; for tests
 */
export async function listLinuxPorts(root = "/"): Promise<SerialPortInfo[]> {
  const folder = join(root, "sys/class/tty");
  const names = await readdir(folder).catch(() => []);
  const ports = await Promise.all(
    names.map((name) => describePort(root, join(folder, name), name)),
  );
  return ports
    .filter((port) => port !== undefined)
    .sort((a, b) => a.path.localeCompare(b.path, "en", { numeric: true }));
}

async function describePort(
  root: string,
  folder: string,
  name: string,
): Promise<SerialPortInfo | undefined> {
  const device = await realpath(join(folder, "device")).catch(() => undefined);
  if (device === undefined) return undefined;
  // The kernel holds places for serial ports that a computer might have; type 0 is an empty one.
  if ((await textOf(join(folder, "type"))) === "0") return undefined;
  const path = join(root, "dev", name);
  const isThere = await access(path).then(
    () => true,
    () => false,
  );
  return isThere ? { path, ...(await describeUsbDevice(device)) } : undefined;
}

async function describeUsbDevice(device: string): Promise<Omit<SerialPortInfo, "path">> {
  let folder = device;
  for (let parents = 0; parents <= PARENTS_MAX; parents++, folder = dirname(folder)) {
    const vendorId = await textOf(join(folder, "idVendor"));
    if (vendorId === undefined) continue;
    const [productId, serialNumber, manufacturer, product] = await Promise.all(
      ["idProduct", "serial", "manufacturer", "product"].map((file) => textOf(join(folder, file))),
    );
    return {
      ...(serialNumber && { serialNumber }),
      ...(manufacturer && { manufacturer }),
      ...(product && { product }),
      vendorId,
      ...(productId && { productId }),
    };
  }
  return {};
}

async function textOf(path: string): Promise<string | undefined> {
  const text = await readFile(path, "utf8").catch(() => undefined);
  return text?.trim();
}
