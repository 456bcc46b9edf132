import { type Clock, SystemClock, type TimerHandle } from "@fardel/core";
import type { BridgeFacts } from "../bridge-frames.js";
import { type BridgeStatistics, statisticsOf } from "../bridge-statistics.js";
import type { PortSource } from "../byte-port.js";
import { cryptoRandom } from "../crypto-random.js";
import { SerialBridgeError } from "../errors.js";
import type { Framing } from "../frame-reader.js";
import { NAME_BYTES_MAX, QUEUE_MAX } from "../limits.js";
import { BridgeCore } from "./bridge-core.js";
import type { BridgeRadio } from "./bridge-radio.js";
import { KeptPort } from "./kept-port.js";

/** What a {@link Bridge} is made of. */
export interface BridgeOptions {
  /** The line to the host. */
  readonly source: PortSource;
  /** See `linkRadio`. The bridge opens it, and closes it when it is closed. */
  readonly radio: BridgeRadio;
  /** Default: real time. */
  readonly clock?: Clock;
  /** Bits per second; the host must have the same. Default 115200. */
  readonly bitRate?: number;
  /** Default `cobs`; the host must have the same. */
  readonly framing?: Framing;
  /** Datagrams held for the radio, 1 to 64. The host never hands over more. Default 4. */
  readonly queue?: number;
  /**
   * Datagrams heard that may wait for the line, 1 to 1024. When full: the newest is dropped, which
   * for the endpoints is a loss like any other. Default 8: where the radio is faster than the line a
   * longer queue helps nobody, and makes each datagram late.
   */
  readonly heardMax?: number;
  /** For people, at most 64 bytes of UTF-8. Default `bridge`. */
  readonly name?: string;
  /** Uniform unsigned 32-bit numbers. Default: the platform's cryptographic source. */
  readonly random?: () => number;
}

/**
 * So far ahead of the line bytes are written: more, and an answer would wait behind what was heard;
 * less, and the timers of an operating system would leave pauses. Invented, after timers of 1 ms.
 */
const LEAD_US = 4_000;
/** Bytes written at once where the line has no bit rate, about. */
const BATCH_BYTES = 2048;

/**
 * The board's side of a serial bridge: forwards datagrams between a port and a radio, for instance
 * any Fardel link by `linkRadio`. It stands for a board in tests and on a desk, and is the reference
 * for a board's program.
 *
 * ```ts
 * const bridge = await Bridge.start({ source: line.board, radio: linkRadio(link) });
 * ```
 *
 * When the port goes away it is opened again, and again, until the bridge is closed.
 */
export class Bridge implements AsyncDisposable {
  readonly #options: BridgeOptions;
  readonly #clock: Clock;
  readonly #port: KeptPort;
  #core: BridgeCore;
  #incarnation = 0;
  #isHung = false;
  #isClosed = false;
  #isPumping = false;
  #mustPumpAgain = false;
  /** What a restarting board writes before its program runs. */
  #chatter: Uint8Array | undefined;
  /** No frame of this life has left yet: what came before it, if anything, was none. */
  #isFirst = true;
  /** Until then the line is busy with what was written. */
  #lineBusyUs = Number.NEGATIVE_INFINITY;
  #timer: TimerHandle;

  /**
   * Open the port and the radio, and say HELLO.
   * @throws {@link SerialBridgeError} `invalid-option`; `port-not-found`, `port-busy`,
   * `port-forbidden`, `port-failed`; and what the radio throws
   */
  static async start(options: BridgeOptions): Promise<Bridge> {
    const bridge = new Bridge(options);
    try {
      await bridge.#port.open();
      await options.radio.open({
        onReceived: (from, rssiDbm, datagram) =>
          bridge.#input((core) => core.handleReceived(from, rssiDbm, datagram)),
        onChannelChanged: (channel) => bridge.#input((core) => core.handleChannelChanged(channel)),
      });
    } catch (error) {
      await bridge.close();
      throw error;
    }
    return bridge;
  }

  private constructor(options: BridgeOptions) {
    const { source, clock = new SystemClock(), bitRate = 115_200 } = options;
    checkOptions(options);
    this.#options = options;
    this.#clock = clock;
    this.#core = this.#boot();
    this.#port = new KeptPort(source, bitRate, clock, {
      onBytes: (bytes) => this.#input((core) => core.handleBytes(bytes, clock.nowUs())),
      onReady: () => this.#pump(),
    });
  }

  /** Whether a host is in session with it. */
  get isInSession(): boolean {
    return this.#core.isInSession;
  }

  /** What it has counted since its last boot. */
  get statistics(): BridgeStatistics {
    return statisticsOf(this.#core.countsAt(this.#clock.nowUs()));
  }

  /**
   * A line of text for the host. Too many at once: the newest are dropped.
   * @param text - cut after 200 bytes of UTF-8
   * @param level - severity of RFC 5424, 0 to 7. Default 6: information
   * @throws {@link SerialBridgeError} `invalid-option`
   */
  log(text: string, level = 6): void {
    checkWhole("level", level, 0, 7);
    this.#input((core) => core.log(level, text));
  }

  /**
   * The board is reset: all that it knew is lost, and it is another incarnation. The port stays open,
   * as with a USB chip of its own.
   * @param chatter - what it writes before its program runs, in no frame
   */
  restart(chatter?: Uint8Array): void {
    if (this.#isClosed) return;
    this.#isHung = false;
    this.#chatter = chatter?.slice();
    this.#isFirst = true;
    this.#core = this.#boot();
    this.#pump();
  }

  /** The board hangs: it hears nothing, does nothing and says nothing until it is restarted. */
  hang(): void {
    this.#isHung = true;
    this.#clock.clearTimer(this.#timer);
  }

  /** Close the port and the radio. May be called twice. */
  async close(): Promise<void> {
    if (this.#isClosed) return;
    this.#isClosed = true;
    this.#clock.clearTimer(this.#timer);
    await this.#port.close();
    await this.#options.radio.close();
  }

  [Symbol.asyncDispose](): Promise<void> {
    return this.close();
  }

  #boot(): BridgeCore {
    const { radio, framing = "cobs", heardMax = 8 } = this.#options;
    radio.reset();
    this.#incarnation = this.#draw();
    const incarnation = this.#incarnation;
    const radioDepth = radio.depth ?? 1;
    const facts = this.#facts();
    return new BridgeCore(
      { facts, framing, incarnation, radioDepth, heardMax },
      this.#clock.nowUs(),
    );
  }

  /** Another incarnation than the last one, and not 0. */
  #draw(): number {
    const { random = cryptoRandom } = this.#options;
    const drawn = random() >>> 0;
    return drawn === 0 || drawn === this.#incarnation ? (this.#incarnation + 1) >>> 0 || 1 : drawn;
  }

  #facts(): BridgeFacts {
    const { radio, queue = 4, name = "bridge" } = this.#options;
    return {
      mtuBytes: radio.mtuBytes,
      queue,
      peersMax: radio.peersMax,
      canBroadcast: radio.canBroadcast,
      canSetChannel: radio.setChannel !== undefined,
      tellsAcknowledgement: radio.tellsAcknowledgement,
      channel: radio.channel,
      airtimeFixedUs: radio.airtimeFixedUs,
      airtimePerByteNs: radio.airtimePerByteNs,
      address: radio.address,
      name,
    };
  }

  #input(handle: (core: BridgeCore) => void): void {
    if (this.#isHung || this.#isClosed) return;
    handle(this.#core);
    this.#pump();
  }

  /** Drains the outputs of the core. */
  #pump(): void {
    if (this.#isHung || this.#isClosed) return;
    this.#mustPumpAgain = true;
    if (this.#isPumping) return;
    this.#isPumping = true;
    try {
      while (this.#mustPumpAgain) {
        this.#mustPumpAgain = false;
        this.#pumpRadio(this.#core);
        this.#pumpLine(this.#core);
      }
    } finally {
      this.#isPumping = false;
    }
    this.#armTimer();
  }

  #pumpRadio(core: BridgeCore): void {
    const { radio } = this.#options;
    const channel = core.pollChannel();
    if (channel !== undefined) {
      core.handleChannelSet(radio.setChannel?.(channel) ?? "not-allowed");
    }
    const nowUs = this.#clock.nowUs();
    for (let order = core.pollTransmit(nowUs); order; order = core.pollTransmit(nowUs)) {
      const { putOut, putIn, transmission, to, datagram } = order;
      if (putOut) radio.removePeer(putOut);
      if (putIn) radio.addPeer(putIn);
      // To the core that sent it: a board that has restarted meanwhile knows nothing of it.
      radio.transmit(to, datagram, (result) =>
        this.#input(() => core.handleTransmitted(transmission, result)),
      );
    }
  }

  #pumpLine(core: BridgeCore): void {
    if (!this.#port.isReady) return;
    const nowUs = this.#clock.nowUs();
    const parts: Uint8Array[] = [];
    let bytes = 0;
    if (this.#chatter) {
      bytes = this.#push(parts, this.#chatter, nowUs);
      this.#chatter = undefined;
    }
    while (this.#lineBusyUs < nowUs + LEAD_US && bytes < BATCH_BYTES) {
      const hasPause = this.#isFirst || (bytes === 0 && this.#lineBusyUs <= nowUs);
      const frame = core.pollBytes(nowUs, hasPause);
      if (!frame) break;
      this.#isFirst = false;
      bytes += this.#push(parts, frame, nowUs);
    }
    if (bytes > 0) this.#port.write(joined(parts, bytes));
  }

  #push(parts: Uint8Array[], part: Uint8Array, nowUs: number): number {
    const { bitRate } = this.#port;
    const lineUs = bitRate === undefined ? 0 : (part.length * 10_000_000) / bitRate;
    this.#lineBusyUs = Math.max(this.#lineBusyUs, nowUs) + lineUs;
    parts.push(part);
    return part.length;
  }

  #armTimer(): void {
    this.#clock.clearTimer(this.#timer);
    const nowUs = this.#clock.nowUs();
    // Nobody else says when a line that is ahead takes more.
    const lineUs = this.#lineBusyUs - LEAD_US;
    const dueUs = Math.min(
      this.#core.timeoutUs,
      lineUs > nowUs ? Math.ceil(lineUs) : Number.POSITIVE_INFINITY,
    );
    if (dueUs === Number.POSITIVE_INFINITY) return;
    this.#timer = this.#clock.setTimer(dueUs, () =>
      this.#input((core) => core.handleTimeout(this.#clock.nowUs())),
    );
  }
}

function checkOptions(options: BridgeOptions): void {
  const { queue = 4, heardMax = 8, name = "bridge", framing = "cobs" } = options;
  checkWhole("queue", queue, 1, QUEUE_MAX);
  checkWhole("heardMax", heardMax, 1, 1024);
  if (framing !== "cobs" && framing !== "slip") {
    throw invalid(`framing is ${framing}: give "cobs" or "slip".`);
  }
  const nameBytes = new TextEncoder().encode(name).length;
  if (nameBytes > NAME_BYTES_MAX) {
    throw invalid(`name has ${nameBytes} bytes of UTF-8: give at most ${NAME_BYTES_MAX}.`);
  }
}

function checkWhole(name: string, value: number, least: number, most: number): void {
  if (Number.isInteger(value) && value >= least && value <= most) return;
  throw invalid(`${name} is ${value}: give a whole number from ${least} to ${most}.`);
}

function invalid(sentence: string): SerialBridgeError {
  return new SerialBridgeError("invalid-option", sentence);
}

function joined(parts: readonly Uint8Array[], bytes: number): Uint8Array {
  const all = new Uint8Array(bytes);
  let at = 0;
  for (const part of parts) {
    all.set(part, at);
    at += part.length;
  }
  return all;
}
