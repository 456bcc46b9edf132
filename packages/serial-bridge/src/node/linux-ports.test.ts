import { mkdir, mkdtemp, rm, symlink, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { afterEach, beforeEach, expect, it } from "vitest";
import { listLinuxPorts } from "./linux-ports.js";

let root: string;

beforeEach(async () => {
  root = await mkdtemp(join(tmpdir(), "fardel-ports-"));
});

afterEach(() => rm(root, { recursive: true }));

async function put(path: string, text = ""): Promise<void> {
  const file = join(root, path);
  await mkdir(dirname(file), { recursive: true });
  await writeFile(file, text);
}

/** A port as the kernel shows it: a folder of its class, with a way to the device behind it. */
async function putPort(name: string, device: string | undefined): Promise<void> {
  const folder = join(root, "sys/class/tty", name);
  await mkdir(folder, { recursive: true });
  if (device === undefined) return;
  await mkdir(join(root, device), { recursive: true });
  await symlink(join(root, device), join(folder, "device"));
}

async function putUsb(device: string, files: Readonly<Record<string, string>>): Promise<void> {
  for (const [name, text] of Object.entries(files)) await put(`${device}/${name}`, `${text}\n`);
}

it("finds USB ports of both kinds with what their devices say, in the order of their numbers", async () => {
  await putUsb("sys/devices/usb1/1-2", {
    idVendor: "1234",
    idProduct: "00ff",
    serial: "A0B1C2",
    manufacturer: "Maker (invented)",
    product: "Row station",
  });
  await putUsb("sys/devices/usb1/1-3", { idVendor: "4321", idProduct: "abcd" });
  await putPort("ttyUSB10", "sys/devices/usb1/1-3/1-3:1.0/ttyUSB10");
  await putPort("ttyUSB2", "sys/devices/usb1/1-3/1-3:1.1/ttyUSB2");
  await putPort("ttyACM0", "sys/devices/usb1/1-2/1-2:1.0");
  for (const name of ["ttyACM0", "ttyUSB2", "ttyUSB10"]) await put(`dev/${name}`);
  expect(await listLinuxPorts(root)).toEqual([
    {
      path: join(root, "dev/ttyACM0"),
      serialNumber: "A0B1C2",
      manufacturer: "Maker (invented)",
      product: "Row station",
      vendorId: "1234",
      productId: "00ff",
    },
    { path: join(root, "dev/ttyUSB2"), vendorId: "4321", productId: "abcd" },
    { path: join(root, "dev/ttyUSB10"), vendorId: "4321", productId: "abcd" },
  ]);
});

it("leaves out what is no port: consoles, empty places, and what has no device file", async () => {
  await putPort("tty1", undefined);
  await putPort("ttyS0", "sys/devices/platform/serial8250");
  await putPort("ttyS1", "sys/devices/platform/serial8250");
  await putPort("ttyUSB0", "sys/devices/usb1/1-2/1-2:1.0/ttyUSB0");
  await put("sys/class/tty/ttyS0/type", "4\n");
  await put("sys/class/tty/ttyS1/type", "0\n");
  for (const name of ["tty1", "ttyS0", "ttyS1"]) await put(`dev/${name}`);
  expect(await listLinuxPorts(root)).toEqual([{ path: join(root, "dev/ttyS0") }]);
});

it("finds none where the kernel shows none", async () => {
  expect(await listLinuxPorts(root)).toEqual([]);
});
