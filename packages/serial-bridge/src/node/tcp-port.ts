import { connect, isIP, type Socket } from "node:net";
import type { BytePort, PortHandlers, PortSource } from "../byte-port.js";
import { SerialBridgeError, type SerialBridgeErrorCode } from "../errors.js";
import { messageOf } from "./port-error.js";

/** Where the stream of bytes is. */
export interface TcpPortOptions {
  /** Name or address of a computer or board. */
  readonly host: string;
  /** 1 to 65535. */
  readonly port: number;
  /** Longest wait for the connection, milliseconds. Default 5000. */
  readonly connectTimeoutMs?: number;
}

const CONNECT_TIMEOUT_MS = 5000;
/** `setTimeout` of the platform takes no more. */
const TIMEOUT_MS_MAX = 2 ** 31 - 1;

/**
 * The bytes of a serial line over a TCP connection: a serial port that is served on the network, or a
 * bridge on a board with a network of its own. Nothing on it is protected: keep it in a network that
 * you trust.
 * @throws {@link SerialBridgeError} `invalid-option`
 */
export function tcpPortSource(options: TcpPortOptions): PortSource {
  const { host, port, connectTimeoutMs = CONNECT_TIMEOUT_MS } = options;
  if (typeof host !== "string" || host === "") {
    throw invalid(`host is not the name or address of a computer: ${JSON.stringify(host)}.`);
  }
  if (!Number.isInteger(port) || port < 1 || port > 65535) {
    throw invalid(`port is not a whole number from 1 to 65535: ${port}.`);
  }
  if (!(connectTimeoutMs > 0 && connectTimeoutMs <= TIMEOUT_MS_MAX)) {
    throw invalid(`connectTimeoutMs is not above 0 and at most ${TIMEOUT_MS_MAX}.`);
  }
  const label = host.includes(":") ? `[${host}]:${port}` : `${host}:${port}`;
  return {
    label,
    open: (_bitRate, handlers) => openStream({ host, port, connectTimeoutMs, label }, handlers),
  };
}

function invalid(sentence: string): SerialBridgeError {
  return new SerialBridgeError("invalid-option", sentence);
}

function openStream(
  options: Required<TcpPortOptions> & { readonly label: string },
  handlers: PortHandlers,
): Promise<BytePort> {
  const { host, port, connectTimeoutMs, label } = options;
  return new Promise((resolve, reject) => {
    // A frame must not wait in the computer for the next one: no delay.
    const stream = connect({ host, port, noDelay: true, keepAlive: true });
    let isNameKnown = false;
    stream.once("lookup", (error) => {
      isNameKnown = !error;
    });
    const timer = setTimeout(() => {
      const code = isNameKnown || isIP(host) ? "ETIMEDOUT" : "ENOTFOUND";
      stream.destroy(Object.assign(new Error("no answer in time"), { code }));
    }, connectTimeoutMs);
    const fail = (cause: Error) => {
      clearTimeout(timer);
      reject(connectError(label, host, cause));
    };
    stream.once("error", fail);
    stream.once("connect", () => {
      clearTimeout(timer);
      stream.off("error", fail);
      resolve(new TcpPort(stream, handlers));
    });
  });
}

const CODES: Readonly<Record<string, readonly [SerialBridgeErrorCode, string]>> = {
  ECONNREFUSED: ["port-not-found", "nothing listens there. Start the server of the port first."],
  ETIMEDOUT: ["port-not-found", "no answer. Is it switched on, and in the same network?"],
  EHOSTUNREACH: [
    "port-not-found",
    "no way leads there. Is it switched on, and in the same network?",
  ],
  ENETUNREACH: ["port-not-found", "no network leads there. Is this computer connected?"],
  EACCES: ["port-forbidden", "this computer does not allow the connection."],
  EPERM: ["port-forbidden", "this computer does not allow the connection."],
};

function connectError(label: string, host: string, cause: Error): SerialBridgeError {
  const code = "code" in cause ? String(cause.code) : "";
  if (code === "ENOTFOUND" || code === "EAI_AGAIN") {
    return new SerialBridgeError(
      "port-not-found",
      `Nobody knows a computer named ${host}. Check the name, or give its address.`,
      { cause },
    );
  }
  const [ours, why] = CODES[code] ?? ["port-failed", messageOf(cause)];
  return new SerialBridgeError(ours, `No connection to ${label}: ${why}`, { cause });
}

/** How long the other side may take to close as well, milliseconds. */
const CLOSE_TIMEOUT_MS = 1000;

class TcpPort implements BytePort {
  /** The network has its own pace; nobody knows that of a serial line behind it. */
  readonly bitRate = undefined;
  readonly #stream: Socket;
  #isOver = false;
  #closed: Promise<void> | undefined;

  constructor(stream: Socket, handlers: PortHandlers) {
    this.#stream = stream;
    let why = "The other side closed the connection.";
    stream.on("data", (bytes: Buffer) => {
      if (!this.#isOver) handlers.onBytes(bytes);
    });
    stream.on("error", (error) => {
      why = `The connection broke (${error.message}).`;
    });
    stream.on("close", () => {
      if (this.#isOver) return;
      this.#isOver = true;
      handlers.onClosed(why);
    });
  }

  write(bytes: Uint8Array, done: () => void): void {
    // The callback comes in a later turn, also when the stream is closed or breaks.
    this.#stream.write(bytes, (error) => {
      if (!error && !this.#isOver) done();
    });
  }

  /** What was written still goes out; a connection cut short could take it back. */
  close(): Promise<void> {
    this.#isOver = true;
    this.#closed ??= new Promise((resolve) => {
      if (this.#stream.closed) {
        resolve();
        return;
      }
      const timer = setTimeout(() => this.#stream.destroy(), CLOSE_TIMEOUT_MS);
      this.#stream.once("close", () => {
        clearTimeout(timer);
        resolve();
      });
      this.#stream.end();
    });
    return this.#closed;
  }
}
