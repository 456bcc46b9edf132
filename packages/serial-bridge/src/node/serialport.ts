/**
 * The one file that imports the package `serialport`. Only what lies below its stream is used: the
 * stream would put a second queue before the operating system's, and copy every byte.
 */
import type { SerialPort } from "serialport";
import type { ControlWires, SerialPortInfo, SystemPort } from "./serial-system.js";

type Binding = (typeof SerialPort)["binding"];
type BindingPort = Awaited<ReturnType<Binding["open"]>>;

/** Loaded when a port is wanted: it is native code, which a gateway over TCP does not need. */
async function loadBinding(): Promise<Binding> {
  const { SerialPort } = await import("serialport");
  return SerialPort.binding;
}

export async function openPort(options: {
  readonly path: string;
  readonly bitRate: number;
  readonly dropWiresOnClose: boolean;
}): Promise<SystemPort> {
  const binding = await loadBinding();
  return new BoundPort(
    await binding.open({
      path: options.path,
      baudRate: options.bitRate,
      hupcl: options.dropWiresOnClose,
    }),
  );
}

/** Ports, as macOS and Windows list them. On Linux it would need a program that may be missing. */
export async function listBoundPorts(): Promise<SerialPortInfo[]> {
  const binding = await loadBinding();
  const ports = await binding.list();
  return ports.map(({ path, serialNumber, manufacturer, vendorId, productId }) => ({
    path,
    ...(serialNumber && { serialNumber }),
    ...(manufacturer && { manufacturer }),
    ...(vendorId && { vendorId: vendorId.toLowerCase() }),
    ...(productId && { productId: productId.toLowerCase() }),
  }));
}

class BoundPort implements SystemPort {
  readonly #port: BindingPort;

  constructor(port: BindingPort) {
    this.#port = port;
  }

  async read(buffer: Buffer): Promise<number> {
    const { bytesRead } = await this.#port.read(buffer, 0, buffer.length);
    return bytesRead;
  }

  write(bytes: Uint8Array): Promise<void> {
    return this.#port.write(Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength));
  }

  set(wires: ControlWires): Promise<void> {
    return this.#port.set({ ...wires, brk: false, cts: false, dsr: false });
  }

  close(): Promise<void> {
    return this.#port.close();
  }

  onGone(callback: (why: string) => void): void {
    // A terminal that was hung up gives zero bytes at once, again and again, and serialport 13 then
    // reads for ever: an unplugged port would keep a processor busy and never end. The poller says
    // it in any case. Windows has none: there the read fails.
    if (!("poller" in this.#port)) return;
    this.#port.poller.once("disconnect", (error) => {
      callback(error?.message ?? "it was hung up");
    });
  }
}
