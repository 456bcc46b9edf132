import { type Clock, SystemClock } from "@fardel/core";
import type { BytePort, PortHandlers, PortSource } from "../byte-port.js";
import { SerialBridgeError } from "../errors.js";
import { thisSystem } from "./list-ports.js";
import { messageOf, portError, whatIsThere } from "./port-error.js";
import type { SerialPortInfo, SerialSystem, SystemPort } from "./serial-system.js";

/** Which serial port, and how to open it. At least one of `path` and `serialNumber` is needed. */
export interface NodePortOptions {
  /** `/dev/ttyUSB0`, `/dev/serial/by-id/…`, a pseudo-terminal, `COM3`. */
  readonly path?: string;
  /**
   * Serial number of the USB device: it is then found under whatever path it has. Default: that of
   * the device which was found at `path` first, if it has one. Of several ports of one device, the
   * one is taken again that `path` was first; without a path the first of them.
   */
  readonly serialNumber?: string;
  /**
   * `true`: reset the board by the wires DTR and RTS whenever the port is opened; rejects where a port
   * has no such wires. `false`: leave the wires as they are when the port is closed, so that opening it again
   * does not reset the board; the first opening may, since the operating system raises them. Default:
   * what the operating system does.
   */
  readonly resetOnOpen?: boolean;
  /** Where to look for serial numbers. Default: {@link listSerialPorts}. */
  readonly listPorts?: () => Promise<SerialPortInfo[]>;
  /** For the length of a reset. Default: real time. */
  readonly clock?: Clock;
}

/**
 * A serial port of this computer. It survives the cable: a USB device that comes back under another
 * path is opened there.
 * @throws {@link SerialBridgeError} `invalid-option`
 */
export function nodePortSource(options: NodePortOptions): PortSource {
  return new NodePortSource(options, thisSystem);
}

/** How long a reset lasts. Common practice, no source: boards want some milliseconds at least. */
const RESET_US = 100_000;

/** @internal The same on a given operating system, for tests. */
export class NodePortSource implements PortSource {
  readonly label: string;
  readonly #options: NodePortOptions;
  readonly #system: SerialSystem;
  #serialNumber: string | undefined;
  /** Place among the ports of the device, from 0. */
  #place = 0;

  constructor(options: NodePortOptions, system: SerialSystem) {
    const { path, serialNumber, listPorts = system.list } = options;
    for (const [name, value] of Object.entries({ path, serialNumber })) {
      if (value === undefined || (typeof value === "string" && value !== "")) continue;
      throw invalid(`${name} is not a text: ${JSON.stringify(value)}.`);
    }
    if (path === undefined && serialNumber === undefined) {
      throw invalid("Give path, serialNumber or both, to say which port is meant.");
    }
    this.label = path ?? `the port with serial number ${serialNumber}`;
    this.#options = options;
    this.#system = { ...system, list: listPorts };
    this.#serialNumber = serialNumber;
  }

  async open(bitRate: number, handlers: PortHandlers): Promise<BytePort> {
    const { resetOnOpen } = this.#options;
    const path = await this.#find();
    let port: SystemPort | undefined;
    try {
      port = await this.#system.open({ path, bitRate, dropWiresOnClose: resetOnOpen !== false });
      if (resetOnOpen === true) await this.#reset(port);
    } catch (cause) {
      await port?.close().catch(() => {});
      throw port ? resetError(path, cause) : await portError(path, cause, this.#system);
    }
    await this.#remember(path);
    return new NodePort(port, bitRate, handlers);
  }

  /** Where the port is now. */
  async #find(): Promise<string> {
    const { path } = this.#options;
    const serialNumber = this.#serialNumber;
    const ports = serialNumber && (await this.#system.list().catch(() => undefined));
    // Without a serial number or a list, the path is all there is to go by.
    if (path !== undefined && !ports) return path;
    const ours = ports ? portsOf(serialNumber, ports) : [];
    const real = path && (await this.#system.realPath(path));
    if (path !== undefined && ours.some((port) => port.path === path || port.path === real)) {
      return path;
    }
    const found = ours[this.#place];
    if (found) return found.path;
    throw new SerialBridgeError(
      "port-not-found",
      `No port has the serial number ${serialNumber}. ${await whatIsThere(this.#system)}`,
    );
  }

  /** Paths are given out anew with each plugging in: what names the device is its serial number. */
  async #remember(path: string): Promise<void> {
    const ports = await this.#system.list().catch(() => []);
    const real = await this.#system.realPath(path);
    const found = ports.find((port) => port.path === path || port.path === real);
    if (!found) return;
    this.#serialNumber ??= found.serialNumber;
    this.#place = portsOf(found.serialNumber, ports).indexOf(found);
  }

  /**
   * One pulse that resets both kinds of boards (common practice, no source): those that reset at
   * the edge of DTR, and those that hold reset while RTS is on and DTR is off.
   */
  async #reset(port: SystemPort): Promise<void> {
    const clock: Clock = this.#options.clock ?? new SystemClock();
    await port.set({ dtr: false, rts: true });
    await new Promise<void>((resolve) => {
      clock.setTimer(clock.nowUs() + RESET_US, () => {
        resolve();
        clock.wakeWaiters?.();
      });
    });
    await port.set({ dtr: true, rts: true });
  }
}

function portsOf(serialNumber: string | undefined, ports: readonly SerialPortInfo[]) {
  return ports.filter((port) => port.serialNumber === serialNumber);
}

function invalid(sentence: string): SerialBridgeError {
  return new SerialBridgeError("invalid-option", sentence);
}

function resetError(path: string, cause: unknown): SerialBridgeError {
  return new SerialBridgeError(
    "port-failed",
    `The board at ${path} could not be reset: ${messageOf(cause)}. Leave resetOnOpen out if the port has no wires DTR and RTS.`,
    { cause },
  );
}

/** Read at once at most. At 921,600 bit/s it is what comes in 44 ms. */
const READ_BYTES = 4096;

class NodePort implements BytePort {
  readonly #port: SystemPort;
  readonly #handlers: PortHandlers;
  #isOver = false;
  #closed: Promise<void> | undefined;

  constructor(
    port: SystemPort,
    readonly bitRate: number,
    handlers: PortHandlers,
  ) {
    this.#port = port;
    this.#handlers = handlers;
    port.onGone((why) => this.#lose(why));
    void this.#read();
  }

  write(bytes: Uint8Array, done: () => void): void {
    this.#port.write(bytes).then(
      () => {
        if (!this.#isOver) done();
      },
      (error: unknown) => this.#lose(messageOf(error)),
    );
  }

  close(): Promise<void> {
    // Closing ends a read or a write under way, some of them before this returns: they must find
    // that it is over. A port that is gone may refuse to be closed; nothing more can be done about it.
    this.#isOver = true;
    this.#closed ??= this.#port.close().catch(() => {});
    return this.#closed;
  }

  async #read(): Promise<void> {
    const buffer = Buffer.allocUnsafe(READ_BYTES);
    while (!this.#isOver) {
      let bytes: number;
      try {
        bytes = await this.#port.read(buffer);
      } catch (error) {
        this.#lose(messageOf(error));
        return;
      }
      if (!this.#isOver) this.#handlers.onBytes(buffer.subarray(0, bytes));
    }
  }

  #lose(why: string): void {
    if (this.#isOver) return;
    void this.close();
    this.#handlers.onClosed(`The port is gone (${why}).`);
  }
}
