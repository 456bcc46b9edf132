import type { Clock, TimerHandle } from "@fardel/core";
import type { BridgeFacts } from "../bridge-frames.js";
import type { BytePort, PortSource } from "../byte-port.js";
import type { Framing } from "../frame-reader.js";
import { SILENCE_US } from "../limits.js";
import type { Handover, HostEvent, SessionStop, Versions } from "./host-events.js";
import { HostLine, type LineCounts } from "./host-line.js";
import { type HostCounts, HostSession } from "./host-session.js";

/** Why a connection is over. */
export type ConnectionEnd =
  | { readonly why: SessionStop; readonly versions?: Versions }
  | { readonly why: "port-closed"; readonly sentence: string }
  /** The port took no more bytes. */
  | { readonly why: "stalled" };

/** What a connection needs beside the port. */
export interface ConnectionOptions {
  readonly clock: Clock;
  readonly random: () => number;
  readonly framing: Framing;
  /** Go on counting in these. */
  readonly counts: HostCounts;
  readonly lineCounts: LineCounts;
  /** Time without HELLO after which to give up, microseconds; default 3 s. */
  readonly answerUs?: number;
}

/** What a connection tells its owner; nothing any more after `onEnded` or `close`. */
export interface ConnectionHandlers {
  onEvent(event: HostEvent): void;
  /** Text between the frames. */
  onChatter(text: string): void;
  onEnded(end: ConnectionEnd): void;
}

const NOBODY: ConnectionHandlers = { onEvent() {}, onChatter() {}, onEnded() {} };

/** Bytes of frames that are written at once, about. */
const BATCH_BYTES = 2048;

/** How long closing waits for the port to take GOODBYE, microseconds. */
const GOODBYE_WAIT_US = 250_000;

/** One opening of a port: drives a {@link HostSession} over it until either is over. */
export class Connection {
  handlers: ConnectionHandlers;
  readonly #options: ConnectionOptions;
  readonly #clock: Clock;
  readonly #line: HostLine;
  #session: HostSession | undefined;
  #port: BytePort | undefined;
  #bitRate: number | undefined;
  #end: ConnectionEnd | undefined;
  #isDraining = false;
  #isPumping = false;
  #mustPumpAgain = false;
  #isWriting = false;
  /** When a port that has taken no bytes until then has stalled. */
  #stalledUs = Number.POSITIVE_INFINITY;
  /** Until then the line is busy with what was written. */
  #lineBusyUs = 0;
  #onWritten: (() => void) | undefined;
  #timer: TimerHandle;
  #timerUs = Number.POSITIVE_INFINITY;

  /**
   * Open a port and say HELLO?.
   * @throws what the source throws
   */
  static async open(
    source: PortSource,
    bitRate: number,
    options: ConnectionOptions,
    handlers: ConnectionHandlers,
  ): Promise<Connection> {
    const connection = new Connection(options, handlers);
    const port = await source.open(bitRate, {
      onBytes: (bytes) => connection.#handleBytes(bytes),
      onClosed: (why) => connection.#finish({ why: "port-closed", sentence: why }),
    });
    connection.#begin(port);
    return connection;
  }

  private constructor(options: ConnectionOptions, handlers: ConnectionHandlers) {
    this.#options = options;
    this.#clock = options.clock;
    this.#line = new HostLine(options.framing, options.lineCounts);
    this.handlers = handlers;
  }

  /** What the bridge said of itself; `undefined` while there is no session. */
  get facts(): BridgeFacts | undefined {
    return this.#session?.facts;
  }

  /** Whether the port has a bit rate: elsewhere there is none to be wrong. */
  get hasBitRate(): boolean {
    return this.#bitRate !== undefined;
  }

  /** Set when it is over, save by {@link Connection.close}. */
  get end(): ConnectionEnd | undefined {
    return this.#end;
  }

  /** @returns `false` where there is no session: nothing was taken */
  send(handover: Handover): boolean {
    const isTaken = this.#session?.send(handover) ?? false;
    this.#pump();
    return isTaken;
  }

  setChannel(channel: number): void {
    this.#session?.setChannel(channel, this.#clock.nowUs());
    this.#pump();
  }

  askStatistics(): void {
    this.#session?.askStatistics(this.#clock.nowUs());
    this.#pump();
  }

  /**
   * Say GOODBYE and close the port. What is outstanding ends as `gone`; nothing is told after that.
   */
  async close(): Promise<void> {
    const port = this.#port;
    const isGreeted = this.facts !== undefined;
    this.#session?.stop();
    this.#drainEvents();
    this.#session = undefined;
    this.#clock.clearTimer(this.#timer);
    this.handlers = NOBODY;
    if (!port) return;
    if (isGreeted) await this.#sayGoodbye(port);
    this.#port = undefined;
    await port.close();
  }

  #begin(port: BytePort): void {
    this.#port = port;
    this.#bitRate = port.bitRate;
    if (this.#end) {
      this.#closePort();
      return;
    }
    const { random, counts, answerUs } = this.#options;
    const timeOnLine = (bytes: number) => this.#timeOnLine(bytes);
    this.#session = new HostSession(
      { random, counts, timeOnLine, ...(answerUs !== undefined && { answerUs }) },
      this.#clock.nowUs(),
    );
    this.#pump();
  }

  /** Microseconds that so many bytes need; 0 where it is not known. */
  #timeOnLine(bytes: number): number {
    return this.#bitRate === undefined ? 0 : Math.ceil((bytes * 10_000_000) / this.#bitRate);
  }

  #handleBytes(bytes: Uint8Array): void {
    this.#line.handleBytes(
      bytes,
      (frame) => {
        const nowUs = this.#clock.nowUs();
        if (frame) this.#session?.handleFrame(frame, nowUs);
        else this.#session?.handleSignOfLife(nowUs);
        // At once: what the frame holds is overwritten by the next one.
        this.#drainEvents();
      },
      (text) => this.#session && this.handlers.onChatter(text),
    );
    this.#pump();
  }

  /** Whoever is told something may call anything; what comes of it is told after that. */
  #drainEvents(): void {
    const session = this.#session;
    if (this.#isDraining || !session) return;
    this.#isDraining = true;
    try {
      for (let event = session.pollEvent(); event; event = session.pollEvent()) {
        this.#dispatch(event);
      }
    } finally {
      this.#isDraining = false;
    }
  }

  #dispatch(event: HostEvent): void {
    // Told even after close: each datagram has its outcome.
    if (event.type === "send-finished") {
      event.handover.done(event.outcome);
      return;
    }
    if (event.type === "session-opened") this.#line.beginSession(event.facts);
    this.handlers.onEvent(event);
    if (event.type !== "session-stopped") return;
    const { why, versions } = event;
    this.#finish({ why, ...(versions && { versions }) });
  }

  #pump(): void {
    if (this.#isPumping) {
      this.#mustPumpAgain = true;
      return;
    }
    this.#isPumping = true;
    try {
      do {
        this.#mustPumpAgain = false;
        this.#drainEvents();
        this.#write();
      } while (this.#mustPumpAgain);
    } finally {
      this.#isPumping = false;
    }
    this.#armTimer();
  }

  #write(): void {
    const port = this.#port;
    if (!port || !this.#session || this.#isWriting) return;
    const nowUs = this.#clock.nowUs();
    const bytes = this.#collect(this.#session, nowUs);
    if (bytes.length === 0) return;
    const lineUs = this.#timeOnLine(bytes.length);
    this.#lineBusyUs = Math.max(nowUs, this.#lineBusyUs) + lineUs;
    this.#stalledUs = this.#lineBusyUs + lineUs + SILENCE_US;
    this.#isWriting = true;
    port.write(bytes, () => this.#handleWritten());
  }

  /** Frames that may leave now, one right behind the other. */
  #collect(session: HostSession, nowUs: number): Uint8Array {
    // Where the line has been busy until now there was no pause, and so no noise.
    let hasPause = nowUs >= this.#lineBusyUs;
    const parts: Uint8Array[] = [];
    let bytes = 0;
    while (bytes < BATCH_BYTES) {
      const frame = session.pollFrame(nowUs, hasPause);
      if (!frame) break;
      const part = this.#line.bytesOf(frame, hasPause);
      hasPause = false;
      parts.push(part);
      bytes += part.length;
    }
    return joined(parts, bytes);
  }

  #handleWritten(): void {
    this.#isWriting = false;
    this.#stalledUs = Number.POSITIVE_INFINITY;
    this.#onWritten?.();
    this.#pump();
  }

  #armTimer(): void {
    const dueUs = this.#session
      ? Math.min(this.#session.timeoutUs, this.#stalledUs)
      : Number.POSITIVE_INFINITY;
    // One that is too early is left alone: waking once for nothing is cheaper than moving it.
    if (dueUs >= this.#timerUs && dueUs !== Number.POSITIVE_INFINITY) return;
    if (this.#timerUs !== Number.POSITIVE_INFINITY) this.#clock.clearTimer(this.#timer);
    this.#timerUs = dueUs;
    if (dueUs === Number.POSITIVE_INFINITY) return;
    this.#timer = this.#clock.setTimer(dueUs, () => this.#handleTimer());
  }

  #handleTimer(): void {
    this.#timerUs = Number.POSITIVE_INFINITY;
    const nowUs = this.#clock.nowUs();
    if (nowUs >= this.#stalledUs) this.#finish({ why: "stalled" });
    else this.#session?.handleTimeout(nowUs);
    this.#pump();
  }

  /** Over, and not by us. */
  #finish(end: ConnectionEnd): void {
    if (this.#end) return;
    this.#end = end;
    this.#session?.stop();
    this.#drainEvents();
    this.#session = undefined;
    this.#clock.clearTimer(this.#timer);
    this.#timerUs = Number.POSITIVE_INFINITY;
    this.#closePort();
    // A board that runs another program never delimits what it writes.
    this.#line.end((text) => this.handlers.onChatter(text));
    this.handlers.onEnded(end);
  }

  #closePort(): void {
    const port = this.#port;
    this.#port = undefined;
    // A port that cannot even be closed is no more than gone.
    Promise.resolve(port?.close()).catch(() => {});
  }

  async #sayGoodbye(port: BytePort): Promise<void> {
    const isReal = this.#clock.wakeWaiters === undefined;
    // A virtual clock stands still unless its owner runs it: waiting on it could last for ever.
    if (this.#isWriting && isReal) await this.#written();
    if (this.#isWriting || this.#end) return;
    const hasPause = this.#clock.nowUs() >= this.#lineBusyUs;
    this.#isWriting = true;
    port.write(this.#line.bytesOf({ type: "goodbye" }, hasPause), () => this.#handleWritten());
    if (isReal) await this.#written();
  }

  /** Until the port takes more, or for a quarter of a second. */
  #written(): Promise<void> {
    return new Promise((resolve) => {
      const timer = this.#clock.setTimer(this.#clock.nowUs() + GOODBYE_WAIT_US, resolve);
      this.#onWritten = () => {
        this.#clock.clearTimer(timer);
        resolve();
      };
    });
  }
}

function joined(parts: readonly Uint8Array[], bytes: number): Uint8Array {
  const [only] = parts;
  if (only && parts.length === 1) return only;
  const all = new Uint8Array(bytes);
  let at = 0;
  for (const part of parts) {
    all.set(part, at);
    at += part.length;
  }
  return all;
}
