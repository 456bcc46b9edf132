import type { AckFrame } from "../wire/ack-frame.js";
import { CHANNEL_COUNT, wayOfChannel } from "./channels.js";
import { DATA_HEAD_BYTES, type FragmentSlot } from "./fragment-slot.js";
import type { MessageQueue, OutgoingMessage } from "./outgoing-message.js";
import type { RoundTrip } from "./round-trip.js";
import { SendChannel } from "./send-channel.js";
import type { TraceListener } from "./trace.js";

/** Incomplete acks in a row that may leave out a channel; then it counts as one with nothing to tell. */
const LEFT_OUT_MAX = 16;
/** Distance of reordering taken into account at most, datagrams; PROTOCOL.md, section 7.2. */
const REORDERING_MAX = 64;
/** Acks without a needless repeat after which the distance is halved. */
const QUIET_ACKS = 16;

/** Bytes of payload that a fragment may have in a full datagram with a short head. */
export function fullPayload(mtuBytes: number): number {
  return mtuBytes - 5 - DATA_HEAD_BYTES;
}

/** What the sender needs to know of its session. */
export interface SenderContext {
  readonly roundTrip: RoundTrip;
  onProgress(message: OutgoingMessage, isDone: boolean): void;
  onReplaced(message: OutgoingMessage): void;
  /** Address of the peer, for `trace`. */
  readonly address: Uint8Array;
  readonly trace: TraceListener | undefined;
}

/**
 * The sending side of one session: its channels, what an ack says about all of them, and which
 * fragment goes next. PROTOCOL.md, sections 6, 7.2 and 9.
 */
export class Sender {
  readonly channels: SendChannel[] = [];
  readonly #byNumber: (SendChannel | undefined)[] = new Array(CHANNEL_COUNT).fill(undefined);
  /** Greatest number of ours that an ack has named, or -1. */
  largestAcked = -1;
  /** Distance, in datagrams, below which a gap may be mere reordering. */
  reordering = 0;
  /** Instant at which fragments within the reordering distance are late. */
  lossDueUs = Number.POSITIVE_INFINITY;
  #quietAcks = 0;
  #turn = 0;
  #window = 1;

  constructor(
    readonly start: number,
    readonly queues: readonly MessageQueue[],
    readonly context: SenderContext,
  ) {}

  /** The peer's HELLO: its window for every channel, and the largest DATA frame it can receive. */
  handleHello(window: number, frameBytesMax: number): void {
    this.#window = window;
    for (const channel of this.channels) {
      channel.takeBackOversized(frameBytesMax);
      channel.grantWindow(window);
    }
  }

  /** A message was queued on this channel. */
  activate(channel: number): SendChannel {
    let active = this.#byNumber[channel];
    if (!active) {
      const { trace, address: peer } = this.context;
      active = new SendChannel(
        channel,
        this.start,
        this.#window,
        this.queues[channel] as MessageQueue,
        trace && ((fact) => trace({ ...fact, peer, channel })),
      );
      this.#byNumber[channel] = active;
      this.channels.push(active);
    }
    return active;
  }

  /** Something waits to be sent for the first time, or for the rest of it. */
  get hasMessages(): boolean {
    return this.channels.some((channel) => channel.foremost !== undefined);
  }

  /** The receiver must be told that something was given up. */
  get isSkipDue(): boolean {
    return this.channels.some((channel) => channel.isSkipDue);
  }

  find(channel: number): SendChannel | undefined {
    return this.#byNumber[channel];
  }

  /** The channel whose fragment goes next, or nothing; section 9. */
  next(wholeOnlyBytes: number, isVerified: boolean): SendChannel | undefined {
    let best: SendChannel | undefined;
    let bestRank = -1;
    for (const channel of this.channels) {
      const rank = channel.rank(wholeOnlyBytes, isVerified);
      if (rank < 0 || rank < bestRank) continue;
      if (rank > bestRank || !best || channel.turn < best.turn) {
        best = channel;
        bestRank = rank;
      }
    }
    return best;
  }

  /** The channel has had its turn. */
  noteServed(channel: SendChannel): void {
    channel.turn = ++this.#turn;
  }

  get inFlight(): number {
    let sum = 0;
    for (const channel of this.channels) sum += channel.inFlight + (channel.isSkipInFlight ? 1 : 0);
    return sum;
  }

  /** Something waits, and only the peer's closed window holds it back. */
  get isBlockedByWindow(): boolean {
    let isBlocked = false;
    for (const channel of this.channels) {
      if (channel.inFlight > 0 || channel.nextLost() || channel.isSkipDue || channel.isSkipInFlight)
        return false;
      if (channel.lostCount > 0 || channel.isSkipWaiting) isBlocked = true;
      else if (channel.foremost) {
        if (channel.windowRoom > 0) return false;
        isBlocked = true;
      }
    }
    return isBlocked;
  }

  /** Datagrams that could go out now, counted up to `countMax`, each taken as one fragment. */
  sendableCount(countMax: number, payloadBytes: number): number {
    let count = 0;
    for (const channel of this.channels) {
      count += channel.sendableCount(countMax, payloadBytes) + (channel.isSkipDue ? 1 : 0);
      if (count >= countMax) return countMax;
    }
    return count;
  }

  /**
   * Take the ACK frames of one datagram.
   * @param largest - complete number behind their `largest`
   * @param reach - number up to which they speak if the link keeps order, `largest` or beyond
   * @returns number of frames that acknowledge what was never sent, of fragments newly lost, and the
   * number up to which everything has been judged
   */
  handleAcks(
    acks: readonly AckFrame[],
    largest: number,
    reach: number,
    carrier: number,
    nowUs: number,
  ): { unsound: number; lost: number; judged: number; mistaken: number; isContrary: boolean } {
    let unsound = 0;
    let lateBy = 0;
    let mistaken = 0;
    let isContrary = false;
    for (const ack of acks) {
      const channel = this.#byNumber[ack.channel];
      // An ack for a channel never used tells nothing but `largest`.
      if (!channel) continue;
      const result = channel.handleAck(ack, largest, carrier, this.context.onProgress);
      if (!result.isSound) unsound++;
      lateBy = Math.max(lateBy, result.lateBy);
      mistaken += result.mistaken;
      isContrary ||= result.isContrary === true;
    }
    this.#adaptReordering(lateBy);
    if (unsound > 0 || isContrary) return { unsound, lost: 0, judged: -1, mistaken, isContrary };
    this.largestAcked = Math.max(this.largestAcked, largest);
    // It speaks for all channels, unless it says that it had no room for some.
    const isComplete = !acks.some((ack) => ack.truncated);
    for (const channel of this.channels) {
      const isMentioned = isComplete || acks.some((ack) => ack.channel === channel.channel);
      if (!isMentioned && ++channel.leftOut < LEFT_OUT_MAX) continue;
      channel.leftOut = 0;
      channel.largestAcked = this.largestAcked;
      channel.reach = Math.max(channel.reach, reach);
    }
    const lost = this.detectLosses(nowUs);
    return { unsound, lost, judged: this.#judgedUpTo(isComplete, reach), mistaken, isContrary };
  }

  /** An incomplete ack answers for the others of its burst only where nothing is in flight. */
  #judgedUpTo(isComplete: boolean, reach: number): number {
    let judged = Math.max(this.largestAcked, this.reordering > 0 ? -1 : reach);
    for (const channel of this.channels) {
      const isWaiting = channel.inFlight > 0 || channel.isSkipInFlight;
      if (!isComplete && isWaiting) judged = Math.min(judged, this.#judgedOf(channel));
    }
    return judged;
  }

  #judgedOf(channel: SendChannel): number {
    return this.reordering > 0 ? channel.largestAcked : channel.reach;
  }

  #adaptReordering(lateBy: number): void {
    if (lateBy > 0) {
      this.reordering = Math.min(REORDERING_MAX, Math.max(this.reordering, lateBy));
      this.#quietAcks = 0;
    } else if (this.reordering > 0 && ++this.#quietAcks >= QUIET_ACKS) {
      this.reordering >>= 1;
      this.#quietAcks = 0;
    }
  }

  /** The link says that this datagram was not taken by the neighbour, or never left. */
  loseDatagram(number: number): void {
    for (const channel of this.channels) channel.loseDatagram(number);
  }

  /** Nothing in flight will be acknowledged: an opening without an answer. */
  loseAll(): void {
    for (const channel of this.channels) channel.loseAll();
  }

  /** Judge all channels by the greatest number acknowledged; RFC 9002, section 6.1. */
  detectLosses(nowUs: number): number {
    const { reordering } = this;
    this.lossDueUs = Number.POSITIVE_INFINITY;
    if (this.largestAcked < 0) return 0;
    const delayUs = this.#lossDelayUs();
    const isLate = (slot: FragmentSlot) => reordering > 0 && slot.leftUs + delayUs <= nowUs;
    let lost = 0;
    for (const channel of this.channels) {
      const judged = this.#judgedOf(channel);
      lost += channel.detectLosses(judged, reordering, isLate);
      if (reordering > 0)
        this.lossDueUs = Math.min(this.lossDueUs, channel.earliestLeftUs(judged) + delayUs);
    }
    return lost;
  }

  /** RFC 9002, section 6.1.2: kTimeThreshold 9/8, at least the granularity of 1 ms. */
  #lossDelayUs(): number {
    const { smoothedUs, latestUs } = this.context.roundTrip;
    return Math.max(1000, Math.ceil((Math.max(smoothedUs, latestUs) * 9) / 8));
  }

  /** A newer value has been queued on a latest-value channel: the older ones are void. */
  replaceOlder(newest: OutgoingMessage): void {
    if (wayOfChannel(newest.channel) !== "latest") return;
    const channel = this.#byNumber[newest.channel];
    const older = [...(this.queues[newest.channel] ?? [])].filter(
      (message) => message.id < newest.id,
    );
    const begun = channel?.unfinished().filter((message) => message.id < newest.id) ?? [];
    for (const message of [...begun, ...older]) {
      if (message.hasEnded) continue;
      message.hasEnded = true;
      channel?.giveUp(message);
      this.context.onReplaced(message);
    }
  }
}
