import type { BytePort, PortHandlers, PortSource } from "../byte-port.js";
import { SerialBridgeError, type SerialBridgeErrorCode } from "../errors.js";
import type { WebSerial, WebSerialPort } from "./web-serial.js";

/** Options of {@link webPortSource}. */
export interface WebPortOptions {
  /** Where to look for the port when it was plugged in again. Default `navigator.serial`. */
  readonly serial?: WebSerial;
  /** For sentences. Default `serial port`, with the USB numbers if there are any. */
  readonly label?: string;
}

/** Bytes that the browser keeps for us between two reads; its default of 255 is little at high rates. */
const BUFFER_BYTES = 16_384;

/** Errors in a row, with no byte in between, after which a port is given up. */
const READ_ERRORS_MAX = 16;

/**
 * A serial port of a browser. Let the user choose it first, inside a click:
 * `const port = await navigator.serial.requestPort()`.
 *
 * When the cable was pulled and put back, the browser has a new object for the same port: it is found
 * by its USB numbers, if only one port has them.
 */
export function webPortSource(port: WebSerialPort, options: WebPortOptions = {}): PortSource {
  const { serial = browserSerial(), label = labelOf(port) } = options;
  let known = port;
  let isFirst = true;
  return {
    label,
    open: async (bitRate, handlers) => {
      // The one that was just chosen is there; later it may be another object.
      if (!isFirst && serial) known = pick(known, await serial.getPorts(), label);
      isFirst = false;
      try {
        await known.open({ baudRate: bitRate, bufferSize: BUFFER_BYTES });
      } catch (cause) {
        throw openingError(label, cause);
      }
      return new WebPort(known, bitRate, handlers);
    },
  };
}

/** @throws {@link SerialBridgeError} `port-not-found` */
function pick(known: WebSerialPort, ports: readonly WebSerialPort[], label: string): WebSerialPort {
  if (ports.includes(known)) return known;
  const { usbVendorId, usbProductId } = known.getInfo();
  const alike = ports.filter((port) => {
    const info = port.getInfo();
    const isAlike = info.usbVendorId === usbVendorId && info.usbProductId === usbProductId;
    // An open one is in use: by this page, or it would not have its streams.
    return usbVendorId !== undefined && isAlike && port.readable === null;
  });
  const [only] = alike;
  if (only && alike.length === 1) return only;
  const sentence =
    alike.length > 1
      ? `${alike.length} ports look like the ${label}: it is not clear which one it is. Choose it again.`
      : `The ${label} is not there. Plug it in, or choose it again.`;
  throw new SerialBridgeError("port-not-found", sentence);
}

/** One opening of a port. */
class WebPort implements BytePort {
  readonly #port: WebSerialPort;
  readonly #handlers: PortHandlers;
  readonly #onDisconnect = () => this.#lose("The cable was pulled.");
  #reader: ReadableStreamDefaultReader<Uint8Array> | undefined;
  #writer: WritableStreamDefaultWriter<Uint8Array> | undefined;
  readonly #reading: Promise<void>;
  #isOver = false;
  #closing: Promise<void> | undefined;

  constructor(
    port: WebSerialPort,
    readonly bitRate: number,
    handlers: PortHandlers,
  ) {
    this.#port = port;
    this.#handlers = handlers;
    port.addEventListener("disconnect", this.#onDisconnect);
    this.#reading = this.#read();
  }

  write(bytes: Uint8Array, done: () => void): void {
    const { writable } = this.#port;
    if (this.#isOver) return;
    if (!writable) {
      queueMicrotask(() => this.#lose("It cannot be written to."));
      return;
    }
    // Kept between writes: a writer locks its stream. After an error the port has a new one.
    this.#writer ??= writable.getWriter();
    this.#writer.write(bytes).then(
      () => {
        if (!this.#isOver) done();
      },
      (error) => this.#lose(`Writing failed: ${textOf(error)}`),
    );
  }

  close(): Promise<void> {
    this.#isOver = true;
    this.#closing ??= this.#release();
    return this.#closing;
  }

  async #read(): Promise<void> {
    let errors = 0;
    let why = "The browser closed it.";
    while (this.#port.readable && !this.#isOver && errors < READ_ERRORS_MAX) {
      const reader = this.#port.readable.getReader();
      this.#reader = reader;
      try {
        for (;;) {
          const { value, done } = await reader.read();
          if (done || this.#isOver) break;
          errors = 0;
          if (value.length > 0) this.#handlers.onBytes(value);
        }
        if (!this.#isOver && this.#port.readable === null) break;
        errors++;
      } catch (error) {
        // A framing error, a break or an overrun ends the stream only: the port has a new one.
        errors++;
        why = `Reading failed: ${textOf(error)}`;
      } finally {
        this.#reader = undefined;
        reader.releaseLock();
      }
    }
    this.#lose(why);
  }

  #lose(why: string): void {
    if (this.#isOver) return;
    this.#isOver = true;
    this.#closing ??= this.#release();
    this.#handlers.onClosed(why);
  }

  /** A port can be closed only when nobody holds its streams. */
  async #release(): Promise<void> {
    this.#port.removeEventListener("disconnect", this.#onDisconnect);
    await this.#reader?.cancel().catch(() => {});
    this.#writer?.releaseLock();
    this.#writer = undefined;
    await this.#reading;
    await this.#port.close().catch(() => {});
  }
}

/** By name: the browser's errors are DOMExceptions. @see Web Serial API, section 4.4 */
const OPENING_CODES: Readonly<Record<string, [SerialBridgeErrorCode, string]>> = {
  InvalidStateError: ["port-busy", "is open already in this page. Close it there"],
  NetworkError: [
    "port-failed",
    "cannot be opened. Is it open in another program or page? Close it there, or plug it in again",
  ],
  SecurityError: ["port-forbidden", "may not be used by this page. Choose it again"],
  NotAllowedError: ["port-forbidden", "may not be used by this page. Choose it again"],
};

function openingError(label: string, cause: unknown): SerialBridgeError {
  const name = cause instanceof Error || cause instanceof DOMException ? cause.name : "";
  const [code, what] = OPENING_CODES[name] ?? ["port-failed", "cannot be opened"];
  return new SerialBridgeError(code, `The ${label} ${what} (${textOf(cause)}).`, { cause });
}

function textOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

function labelOf(port: WebSerialPort): string {
  const { usbVendorId, usbProductId } = port.getInfo();
  if (usbVendorId === undefined || usbProductId === undefined) return "serial port";
  return `serial port (USB ${hex(usbVendorId)}:${hex(usbProductId)})`;
}

function hex(number: number): string {
  return number.toString(16).padStart(4, "0");
}

function browserSerial(): WebSerial | undefined {
  const { navigator } = globalThis as { navigator?: { serial?: WebSerial } };
  return navigator?.serial;
}
