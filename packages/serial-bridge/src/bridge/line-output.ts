import { type BridgeFrame, encodeBridgeFrame, type HelloFrame } from "../bridge-frames.js";
import type { Framing } from "../frame-reader.js";
import { frameBytes } from "../frame-writer.js";
import { sameBytes } from "../host/same-bytes.js";
import { AGAIN_MAX } from "../limits.js";

/** What is told at the moment at which it leaves, and so is never out of date. */
export interface AnswerSources {
  /** Whether there are outcomes that nobody asked for. */
  readonly hasUntold: boolean;
  /** @param request - 0: nobody asked */
  status(request: number): BridgeFrame;
  statistics(request: number): BridgeFrame;
}

export interface LineOutputOptions {
  readonly framing: Framing;
  readonly addressBytes: number;
  readonly mtuBytes: number;
  /** Datagrams heard that may wait for the line. When full: the newest is dropped. */
  readonly heardMax: number;
}

type ChannelFrame = Extract<BridgeFrame, { type: "channel" }>;
type LogFrame = Extract<BridgeFrame, { type: "log" }>;

/** A datagram that was heard. */
interface Heard {
  readonly from: Uint8Array;
  readonly bytes: Uint8Array;
  length: number;
  rssiDbm: number | undefined;
}

/** Lines of text that may wait for the line. When full: the newest is dropped. */
export const LOGS_MAX = 4;

/**
 * What waits for the line to the host. Answers and outcomes go before what was heard, and that
 * before lines of text.
 *
 * There is one place for each kind of answer: a host has one question of a kind at a time, and of
 * two the newer one is answered.
 *
 * @see BRIDGE.md, sections 2, 3, 6 and 8
 */
export class LineOutput {
  readonly #options: LineOutputOptions;
  #hello: HelloFrame | undefined;
  #channel: ChannelFrame | undefined;
  #statusRequest = 0;
  #statisticsRequest = 0;
  readonly #logs: LogFrame[] = [];
  /** A ring of places. */
  readonly #heard: readonly Heard[];
  #heardFirst = 0;
  #heardCount = 0;
  #sequence = 0;
  /** The sender that RECEIVED-AGAIN means. */
  #impliedFrom: Uint8Array | undefined;
  #agains = 0;

  constructor(options: LineOutputOptions) {
    const { addressBytes, mtuBytes, heardMax } = options;
    this.#options = options;
    this.#heard = Array.from({ length: heardMax }, () => ({
      from: new Uint8Array(addressBytes),
      bytes: new Uint8Array(mtuBytes),
      length: 0,
      rssiDbm: undefined,
    }));
  }

  /** A session begins, or ends: what waits is nobody's any more, save for lines of text. */
  reset(): void {
    this.#hello = undefined;
    this.#channel = undefined;
    this.#statusRequest = 0;
    this.#statisticsRequest = 0;
    this.#heardFirst = 0;
    this.#heardCount = 0;
    this.#sequence = 0;
    this.#impliedFrom = undefined;
    this.#agains = 0;
  }

  hello(frame: HelloFrame): void {
    this.#hello = frame;
  }

  /** An answer that waits tells of a change that nobody asked for, too: its request is kept. */
  channel(frame: ChannelFrame): void {
    const waiting = this.#channel;
    const isAside = frame.request === 0 && waiting !== undefined;
    this.#channel = isAside ? { ...waiting, channel: frame.channel } : frame;
  }

  askStatus(request: number): void {
    this.#statusRequest = request;
  }

  askStatistics(request: number): void {
    this.#statisticsRequest = request;
  }

  /** @returns `false` if it is dropped: the line is too slow */
  hear(from: Uint8Array, rssiDbm: number | undefined, datagram: Uint8Array): boolean {
    if (this.#heardCount === this.#heard.length) return false;
    const place = this.#heard[(this.#heardFirst + this.#heardCount) % this.#heard.length]!;
    place.from.set(from);
    place.bytes.set(datagram);
    place.length = datagram.length;
    place.rssiDbm = rssiDbm;
    this.#heardCount++;
    return true;
  }

  log(level: number, text: string): void {
    if (this.#logs.length < LOGS_MAX) this.#logs.push({ type: "log", level, text });
  }

  /**
   * The next frame, as it goes on the line.
   * @param hasPause - whether nothing leaves right before it: what was noise until then ends, and
   * the address of a sender goes with the frame
   */
  poll(sources: AnswerSources, hasPause: boolean): Uint8Array | undefined {
    const frame = this.#pollAnswer(sources) ?? this.#pollHeard(hasPause) ?? this.#logs.shift();
    if (!frame) return undefined;
    return frameBytes(encodeBridgeFrame(frame), {
      framing: this.#options.framing,
      leadingDelimiter: hasPause,
      seed: frame.type === "received" && frame.again ? frame.from : undefined,
    });
  }

  #pollAnswer(sources: AnswerSources): BridgeFrame | undefined {
    if (this.#hello) {
      const hello = this.#hello;
      this.#hello = undefined;
      return hello;
    }
    if (this.#statusRequest !== 0) {
      const request = this.#statusRequest;
      this.#statusRequest = 0;
      return sources.status(request);
    }
    if (this.#channel) {
      const channel = this.#channel;
      this.#channel = undefined;
      return channel;
    }
    if (sources.hasUntold) return sources.status(0);
    if (this.#statisticsRequest !== 0) {
      const request = this.#statisticsRequest;
      this.#statisticsRequest = 0;
      return sources.statistics(request);
    }
    return undefined;
  }

  #pollHeard(hasPause: boolean): BridgeFrame | undefined {
    if (this.#heardCount === 0) return undefined;
    const { from, bytes, length, rssiDbm } = this.#heard[this.#heardFirst]!;
    this.#heardFirst = (this.#heardFirst + 1) % this.#heard.length;
    this.#heardCount--;
    // Numbered only now: what was dropped here is not taken for lost on the line.
    const sequence = this.#sequence;
    this.#sequence = (sequence + 1) & 0xff;
    const datagram = bytes.subarray(0, length);
    const again = this.#isImplied(from, hasPause);
    return { type: "received", sequence, rssiDbm, from, datagram, again };
  }

  #isImplied(from: Uint8Array, hasPause: boolean): boolean {
    const isSame = this.#impliedFrom !== undefined && sameBytes(this.#impliedFrom, from);
    // Behind a pause there is time for the address: this one must not be lost with the one before.
    if (isSame && !hasPause && this.#agains < AGAIN_MAX) {
      this.#agains++;
      return true;
    }
    // The place may be overwritten before the next one leaves.
    this.#impliedFrom = from.slice();
    this.#agains = 0;
    return false;
  }
}
