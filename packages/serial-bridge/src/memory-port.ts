import type { Clock, TimerHandle } from "@fardel/core";
import type { BytePort, PortHandlers, PortSource } from "./byte-port.js";
import { SerialBridgeError, type SerialBridgeErrorCode } from "./errors.js";
import { checkedFaults, type LineFaults, type LineTally, NoisyLine } from "./memory-faults.js";

/** Which bytes: those on the way to the board, those on the way to the host, or all. */
export type LineDirection = "toBoard" | "toHost" | "both";

/** How a {@link MemoryLine} is made. */
export interface MemoryLineOptions {
  /** The clock that everything on the line runs by; `VirtualClock` of `@fardel/lossy-link` in tests. */
  readonly clock: Clock;
  /** From which all faults follow. Default 1. */
  readonly seed?: number;
  /** What befalls bytes from the start, both ways. Default: nothing. See {@link MemoryLine.setFaults}. */
  readonly faults?: LineFaults;
  /**
   * Bytes that each end takes ahead of the line, at least 1. Default 4096: what the operating
   * system keeps for a serial port (Linux: one page; from memory).
   */
  readonly bufferBytes?: number;
  /** For sentences. Default `memory line`. */
  readonly label?: string;
}

/**
 * Bytes that are handed over at once, at most: what a UART collects before it interrupts (16550:
 * 14 of 16; from memory). The last ones of what was written are handed over when they are there.
 */
const BURST_BYTES = 14;

/** Rates that differ by more cannot be read: 8N1 fails at 5 % at the latest, in the tenth bit. */
const RATE_TOLERANCE = 0.04;

const BIT_RATE_MAX = 100_000_000;

/**
 * A serial line in memory, for tests and simulations: a host's end, a board's end, and everything
 * that goes wrong between them. The same seed and the same calls give the same bytes at the same
 * instants.
 *
 * ```ts
 * const line = new MemoryLine({ clock, faults: { flip: 1e-4 } });
 * const link = await SerialBridgeLink.connect(line.host, { clock });
 * ```
 *
 * A byte takes ten bit times of its sender. Bytes for an end that is not open are lost; between ends
 * whose rates differ they become others.
 */
export class MemoryLine {
  /** The end of the computer: this is what {@link MemoryLine.pull} takes away. */
  readonly host: PortSource;
  /** The end of the board. */
  readonly board: PortSource;
  readonly #host: End;
  readonly #board: End;
  readonly #noise: { readonly toBoard: NoisyLine; readonly toHost: NoisyLine };
  #isPlugged = true;
  #obstacle: SerialBridgeErrorCode | undefined;

  /** @throws {@link SerialBridgeError} `invalid-option` */
  constructor(options: MemoryLineOptions) {
    const { clock, seed = 1, faults = {}, bufferBytes = 4096, label = "memory line" } = options;
    if (!Number.isSafeInteger(seed)) throw invalid(`seed is ${seed}: give a whole number.`);
    if (!Number.isSafeInteger(bufferBytes) || bufferBytes < 1) {
      throw invalid(`bufferBytes is ${bufferBytes}: give a whole number of at least 1.`);
    }
    this.#noise = { toBoard: new NoisyLine(2 * seed), toHost: new NoisyLine(2 * seed + 1) };
    const isPlugged = () => this.#isPlugged;
    this.#host = new End(clock, bufferBytes, this.#noise.toBoard, isPlugged);
    this.#board = new End(clock, bufferBytes, this.#noise.toHost, isPlugged);
    this.#host.other = this.#board;
    this.#board.other = this.#host;
    this.host = { label, open: async (rate, handlers) => this.#openHost(rate, handlers) };
    this.board = {
      label: `${label}, board`,
      open: async (rate, handlers) => this.#board.open(rate, handlers, `${label}, board`),
    };
    this.setFaults(faults);
  }

  /** What has gone over the line so far, and what befell it. */
  get statistics(): { readonly toBoard: LineTally; readonly toHost: LineTally } {
    return { toBoard: { ...this.#noise.toBoard.tally }, toHost: { ...this.#noise.toHost.tally } };
  }

  /**
   * What befalls bytes from now on, in place of what was set before.
   * @throws {@link SerialBridgeError} `invalid-option`
   */
  setFaults(faults: LineFaults, direction: LineDirection = "both"): void {
    const checked = checkedFaults(faults);
    if (direction !== "toHost") this.#noise.toBoard.faults = checked;
    if (direction !== "toBoard") this.#noise.toHost.faults = checked;
  }

  /**
   * Pull the cable: what is under way is lost, the host's port is gone. A board with a power supply
   * of its own notices nothing but silence; say `both` for one whose port goes away, too.
   */
  pull(noticedBy: "host" | "both" = "host"): void {
    this.#isPlugged = false;
    this.#host.cut();
    this.#board.cut();
    this.#host.lose("The cable was pulled.");
    if (noticedBy === "both") this.#board.lose("The cable was pulled.");
  }

  /** Put the cable back: the host's end can be opened again. */
  plug(): void {
    this.#isPlugged = true;
  }

  /** Let each opening of the host's end fail in this way from now on; `undefined`: no more. */
  obstructOpening(
    obstacle: "port-not-found" | "port-busy" | "port-forbidden" | "port-failed" | undefined,
  ): void {
    this.#obstacle = obstacle;
  }

  #openHost(bitRate: number, handlers: PortHandlers): BytePort {
    const { label } = this.host;
    const obstacle = this.#obstacle ?? (this.#isPlugged ? undefined : "port-not-found");
    if (obstacle !== undefined) throw openingError(obstacle, label);
    return this.#host.open(bitRate, handlers, label);
  }
}

/** One end: what it writes leaves at its bit rate, and is handed to the other end. */
class End {
  other: End | undefined;
  #port: MemoryPort | undefined;
  #waiting: Uint8Array[] = [];
  #waitingBytes = 0;
  /** Of the first array that waits, so many bytes have left. */
  #headAt = 0;
  /** Instant at which the first byte that waits began to leave. */
  #sinceUs = 0;
  #bitRate = 0;
  #timer: TimerHandle | undefined;
  #accept: { readonly freeBytes: number; readonly done: () => void } | undefined;

  constructor(
    readonly clock: Clock,
    readonly bufferBytes: number,
    readonly noise: NoisyLine,
    readonly isPlugged: () => boolean,
  ) {}

  open(bitRate: number, handlers: PortHandlers, label: string): BytePort {
    if (!Number.isInteger(bitRate) || bitRate < 1 || bitRate > BIT_RATE_MAX) {
      throw invalid(`The bit rate ${bitRate} is not a whole number from 1 to ${BIT_RATE_MAX}.`);
    }
    if (this.#port) throw openingError("port-busy", label);
    if (bitRate !== this.#bitRate) this.cut();
    this.#bitRate = bitRate;
    this.#port = new MemoryPort(this, bitRate, handlers);
    return this.#port;
  }

  /** @param done - called when all but `bufferBytes` have left */
  write(bytes: Uint8Array, done: () => void): void {
    if (this.#waitingBytes === 0) this.#sinceUs = this.clock.nowUs();
    if (bytes.length > 0) this.#waiting.push(bytes.slice());
    this.#waitingBytes += bytes.length;
    if (this.#waitingBytes <= this.bufferBytes) this.#soon(done);
    else this.#accept = { freeBytes: this.bufferBytes, done };
    this.#arm();
  }

  /** What was written already leaves all the same, as with a port of an operating system. */
  close(port: MemoryPort): void {
    if (port !== this.#port) return;
    this.#port = undefined;
    this.#accept = undefined;
  }

  /** What is under way is lost. */
  cut(): void {
    this.#waiting = [];
    this.#waitingBytes = 0;
    this.#headAt = 0;
    this.#acceptMore();
  }

  lose(why: string): void {
    const port = this.#port;
    this.#port = undefined;
    this.#accept = undefined;
    if (!port) return;
    port.isGone = true;
    this.#soon(() => port.tellClosed(why));
  }

  /** Bytes of the other end. */
  receive(bytes: Uint8Array, bitRate: number, noise: NoisyLine): void {
    if (!this.isPlugged() || !this.#port || bytes.length === 0) return;
    const isReadable = Math.abs(bitRate / this.#bitRate - 1) <= RATE_TOLERANCE;
    const heard = isReadable ? bytes : noise.misread(bytes, this.#bitRate / bitRate);
    if (heard.length > 0) this.#port.handlers.onBytes(heard);
    // Whoever keeps the array finds it changed, as with a real port.
    heard.fill(0xa5);
  }

  #byteUs(count: number): number {
    return (count * 10_000_000) / this.#bitRate;
  }

  #arm(): void {
    if (this.#timer !== undefined || this.#waitingBytes === 0) return;
    const bytes = Math.min(BURST_BYTES, this.#waitingBytes);
    this.#timer = this.clock.setTimer(Math.ceil(this.#sinceUs + this.#byteUs(bytes)), () => {
      this.#timer = undefined;
      this.#emit();
      this.#arm();
    });
  }

  /** Hand over what has left by now. */
  #emit(): void {
    const elapsedUs = this.clock.nowUs() - this.#sinceUs;
    // The instants are rounded up to whole microseconds: what is due is not missed by a fraction.
    const count = Math.min(this.#waitingBytes, Math.floor(elapsedUs / this.#byteUs(1) + 1e-6));
    if (count <= 0) return;
    this.#sinceUs += this.#byteUs(count);
    const bytes = this.noise.pass(this.#take(count));
    this.#acceptMore();
    this.other?.receive(bytes, this.#bitRate, this.noise);
  }

  #take(count: number): Uint8Array {
    const taken = new Uint8Array(count);
    let at = 0;
    while (at < count) {
      const head = this.#waiting[0]!;
      const part = head.subarray(this.#headAt, this.#headAt + count - at);
      taken.set(part, at);
      at += part.length;
      this.#headAt += part.length;
      if (this.#headAt === head.length) {
        this.#waiting.shift();
        this.#headAt = 0;
      }
    }
    this.#waitingBytes -= count;
    return taken;
  }

  #acceptMore(): void {
    const accept = this.#accept;
    if (!accept || this.#waitingBytes > accept.freeBytes) return;
    this.#accept = undefined;
    this.#soon(accept.done);
  }

  /** Not from inside the present call, but at this instant. */
  #soon(run: () => void): void {
    this.clock.setTimer(this.clock.nowUs(), run);
  }
}

class MemoryPort implements BytePort {
  /** Taken away from below; its owner is about to be told. */
  isGone = false;
  #isClosed = false;
  #isWriting = false;

  constructor(
    readonly end: End,
    readonly bitRate: number,
    readonly handlers: PortHandlers,
  ) {}

  write(bytes: Uint8Array, done: () => void): void {
    if (this.#isClosed || this.isGone) return;
    if (this.#isWriting) throw new Error("One write at a time: wait until done is called.");
    this.#isWriting = true;
    this.end.write(bytes, () => {
      this.#isWriting = false;
      if (!this.#isClosed && !this.isGone) done();
    });
  }

  close(): void {
    this.#isClosed = true;
    this.end.close(this);
  }

  tellClosed(why: string): void {
    if (this.#isClosed) return;
    this.#isClosed = true;
    this.handlers.onClosed(why);
  }
}

const OPENING_SENTENCES: Partial<Record<SerialBridgeErrorCode, (label: string) => string>> = {
  "port-not-found": (label) => `There is no ${label} now. Plug the cable in.`,
  "port-busy": (label) => `The ${label} is open already. Close it where it was opened.`,
  "port-forbidden": (label) => `The ${label} may not be opened: this was asked for by the test.`,
  "port-failed": (label) => `The ${label} cannot be opened: this was asked for by the test.`,
};

function openingError(code: SerialBridgeErrorCode, label: string): SerialBridgeError {
  return new SerialBridgeError(code, OPENING_SENTENCES[code]?.(label) ?? `${label}: ${code}`);
}

function invalid(sentence: string): SerialBridgeError {
  return new SerialBridgeError("invalid-option", sentence);
}
