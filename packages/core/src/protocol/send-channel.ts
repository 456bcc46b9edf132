import type { AckFrame } from "../wire/ack-frame.js";
import type { ByteWriter } from "../wire/byte-writer.js";
import { encodeData, MESSAGE_CRC_BYTES } from "../wire/data-frame.js";
import { serialAdd, serialAfter, serialDistance } from "../wire/serial-number.js";
import { varintBytes } from "../wire/varint.js";
import { FRAGMENT_WINDOW_MAX } from "./channels.js";
import { DATA_HEAD_BYTES, FragmentSlot, type SlotState } from "./fragment-slot.js";
import type { MessageQueue, OutgoingMessage } from "./outgoing-message.js";
import type { ChannelFact, LossCause } from "./trace.js";

/** What an ACK frame changed. */
export interface AckResult {
  /** False if it acknowledges what was never sent: nothing was changed. */
  readonly isSound: boolean;
  /** Largest distance by which a fragment taken for lost turned out to be late; 0: none. */
  readonly lateBy: number;
  /** Fragments that had been taken for lost, and have arrived all the same. */
  readonly mistaken: number;
  /** It takes back what an older one acknowledged: one of the two was damaged, and passed its CRC. */
  readonly isContrary?: boolean;
}

const UNSOUND: AckResult = { isSound: false, lateBy: 0, mistaken: 0 };
const CONTRARY: AckResult = { isSound: true, lateBy: 0, mistaken: 0, isContrary: true };

/** Called when a message makes progress; `isDone` when all of it has been acknowledged. */
export type ProgressSink = (message: OutgoingMessage, isDone: boolean) => void;

/**
 * The sending side of one channel in one session: cuts messages into numbered fragments within the
 * peer's window, keeps them until they are acknowledged or given up, and knows which to send again.
 * PROTOCOL.md, sections 5.2, 5.4, 7.2.
 */
export class SendChannel {
  /** First fragment neither acknowledged nor given up. */
  #base: number;
  /** Number of the next fragment to cut. */
  #cutNext: number;
  /** The peer's `next`, from its ACKs. */
  #peerNext: number;
  /** First fragment number beyond the window. */
  #limit: number;
  #windowNumber = -1;
  #slots: FragmentSlot[] = [];
  #mask = -1;
  #cutting: OutgoingMessage | undefined;
  #lost = 0;
  inFlight = 0;
  /** Of the ack being taken, see {@link AckResult}. */
  #mistaken = 0;
  /** First fragment behind the last one given up: where SKIP points. */
  #givenUpEnd: number;
  #skipNumber = -1;
  /** `waiting`: the receiver has no room for what lies before the SKIP; it is told again then. */
  #skipState: "none" | "due" | "in-flight" | "waiting" = "none";
  #isShut = false;
  /** First fragment of which the last ACK, cut for lack of room, says nothing; -1: it says all. */
  #unknownFrom = -1;
  /** Greatest number of a datagram that acks about this channel have named; -1: none. */
  largestAcked = -1;
  /** Number up to which they speak on a link that keeps order; `largestAcked` or beyond. */
  reach = -1;
  /** Incomplete acks in a row that did not mention it. */
  leftOut = 0;
  /** Turn in the round of channels of one priority; higher: served later. */
  turn = 0;

  constructor(
    readonly channel: number,
    start: number,
    window: number,
    readonly queue: MessageQueue,
    readonly trace?: (fact: ChannelFact) => void,
  ) {
    this.#base = this.#cutNext = this.#peerNext = this.#givenUpEnd = start;
    this.#limit = serialAdd(start, window);
  }

  /** What SKIP says: nothing before this is sent any more. */
  get skipTo(): number {
    return this.#givenUpEnd;
  }

  get lostCount(): number {
    return this.#lost;
  }

  get isSkipDue(): boolean {
    return this.#skipState === "due";
  }

  get isSkipWaiting(): boolean {
    return this.#skipState === "waiting";
  }

  get isSkipInFlight(): boolean {
    return this.#skipState === "in-flight";
  }

  /** The message whose fragments come next, or nothing. */
  get foremost(): OutgoingMessage | undefined {
    if (this.#cutting?.hasEnded) this.#cutting = undefined;
    return this.#cutting ?? this.queue.first;
  }

  /** Fragments that may still be cut before the window is full. */
  get windowRoom(): number {
    const used = serialDistance(this.#base, this.#cutNext);
    const open = serialDistance(this.#cutNext, this.#limit);
    // A window that shrank below what was cut shows as a distance past half the number space.
    return open > FRAGMENT_WINDOW_MAX ? 0 : Math.min(open, FRAGMENT_WINDOW_MAX - used);
  }

  /** Rank of the most urgent thing that could be sent, or -1. */
  rank(wholeOnlyBytes: number, isVerified: boolean): number {
    const lost = this.#firstLost();
    if (lost) return lost.message?.rank ?? 0;
    const message = this.foremost;
    if (!message || this.windowRoom === 0) return -1;
    return this.#mayBegin(message, wholeOnlyBytes, isVerified) ? message.rank : -1;
  }

  /** Until the peer is verified only messages that fit whole are sent, one at a time; section 4.3. */
  #mayBegin(message: OutgoingMessage, wholeOnlyBytes: number, isVerified: boolean): boolean {
    if (isVerified) return true;
    return (
      this.#base === this.#cutNext &&
      message.options.firstContact === "data" &&
      message.bytes.length + DATA_HEAD_BYTES <= wholeOnlyBytes
    );
  }

  /** The lowest lost fragment inside the window, if any. */
  #firstLost(): FragmentSlot | undefined {
    if (this.#lost === 0) return undefined;
    const sent = serialDistance(this.#base, this.#cutNext);
    for (let i = 0; i < sent; i++) {
      const slot = this.#slot(serialAdd(this.#base, i));
      if (slot.state === "lost") {
        const ahead = serialDistance(slot.fragment, this.#limit);
        return ahead > 0 && ahead <= FRAGMENT_WINDOW_MAX ? slot : undefined;
      }
    }
    return undefined;
  }

  nextLost(): FragmentSlot | undefined {
    return this.#firstLost();
  }

  /**
   * Cut the next fragment of the foremost message.
   * @param payloadMax - bytes a DATA frame may hold after its three head bytes
   */
  cut(payloadMax: number): FragmentSlot | undefined {
    const message = this.foremost;
    if (!message || this.windowRoom === 0) return undefined;
    if (!this.#cutting) {
      this.queue.shift();
      message.firstFragment = this.#cutNext;
      this.#cutting = message;
    }
    const slot = this.#freshSlot(message);
    const left = message.bytes.length - message.cutBytes;
    slot.first = message.cutBytes === 0;
    const room =
      payloadMax - (slot.first && left > payloadMax ? varintBytes(message.bytes.length) : 0);
    slot.last = slot.first ? left <= payloadMax : left + MESSAGE_CRC_BYTES <= room;
    slot.from = message.cutBytes;
    slot.to = slot.from + Math.min(left, room);
    message.cutBytes = slot.to;
    message.openFragments++;
    if (slot.last) {
      message.isCut = true;
      this.#cutting = undefined;
    }
    this.#cutNext = serialAdd(this.#cutNext, 1);
    return slot;
  }

  write(out: ByteWriter, slot: FragmentSlot, withLength: boolean): void {
    const message = slot.message as OutgoingMessage;
    encodeData(out, {
      channel: this.channel,
      fragment: slot.fragment,
      first: slot.first,
      last: slot.last,
      withLength,
      total: slot.first && !slot.last ? message.bytes.length : 0,
      crc32: slot.last && !slot.first ? message.crc32 : 0,
      bytes: message.bytes,
      from: slot.from,
      to: slot.to,
    });
  }

  /** The slot's fragment goes out in datagram `number`. */
  noteSent(slot: FragmentSlot, number: number, nowUs: number): void {
    const message = slot.message as OutgoingMessage;
    if (slot.number >= 0) message.fragmentsRepeated++;
    message.fragmentsSent++;
    if (slot.state === "lost") this.#lost--;
    if (slot.state !== "in-flight") this.inFlight++;
    slot.state = "in-flight";
    slot.previousNumber = slot.number;
    slot.number = number;
    slot.leftUs = nowUs;
    slot.lostByLink = false;
    const { fragment, from, to, previousNumber } = slot;
    const isRepeat = previousNumber >= 0;
    this.trace?.({ type: "fragment-sent", fragment, number, bytes: to - from, isRepeat });
  }

  /** The peer's HELLO tells its window before any ACK did. */
  grantWindow(window: number): void {
    if (this.#windowNumber < 0) this.#setWindow(this.#peerNext, window);
  }

  #setWindow(next: number, window: number): void {
    this.#limit = serialAdd(next, window);
    this.trace?.({ type: "window-told", next, limit: this.#limit });
  }

  /** Fragments that could be sent now, counted up to `countMax`. */
  sendableCount(countMax: number, payloadBytes: number): number {
    let count = this.#firstLost() ? this.#lost : 0;
    const room = Math.min(this.windowRoom, countMax);
    if (room === 0 || count >= countMax) return count;
    let left = room;
    if (this.#cutting && !this.#cutting.hasEnded) {
      const bytes = this.#cutting.bytes.length - this.#cutting.cutBytes + MESSAGE_CRC_BYTES;
      const fragments = Math.min(left, Math.ceil(bytes / payloadBytes));
      count += fragments;
      left -= fragments;
    }
    for (const message of this.queue) {
      if (left <= 0) break;
      if (message.hasEnded) continue;
      const fragments = Math.min(left, Math.max(1, Math.ceil(message.bytes.length / payloadBytes)));
      count += fragments;
      left -= fragments;
    }
    return count;
  }

  noteSkipSent(number: number): void {
    this.#skipState = "in-flight";
    this.#skipNumber = number;
  }

  /**
   * Take an ACK of this channel.
   * @param largest - complete number behind the frame's `largest`
   * @param carrier - number of the datagram that brought it; only the newest one sets the window
   */
  handleAck(
    frame: AckFrame,
    largest: number,
    carrier: number,
    onProgress: ProgressSink,
  ): AckResult {
    const sent = serialDistance(this.#peerNext, this.#cutNext);
    const advance = serialDistance(this.#peerNext, frame.next);
    const isOld = advance > FRAGMENT_WINDOW_MAX && serialAfter(this.#peerNext, frame.next);
    if (!isOld && advance > sent) return UNSOUND;
    if (isOld && carrier > this.#windowNumber) return CONTRARY;
    let lateBy = 0;
    this.#mistaken = 0;
    if (!isOld) {
      const reach = serialDistance(this.#base, frame.next);
      for (let i = 0; i < reach && reach <= FRAGMENT_WINDOW_MAX; i++) {
        lateBy = Math.max(lateBy, this.#acknowledge(serialAdd(this.#base, i), largest, onProgress));
      }
      this.#peerNext = frame.next;
    }
    for (let bit = 0; bit < frame.map.length * 8; bit++) {
      if (((frame.map[bit >>> 3] as number) >>> (7 - (bit & 7))) & 1) {
        const fragment = serialAdd(frame.next, bit + 1);
        if (serialDistance(this.#base, fragment) >= serialDistance(this.#base, this.#cutNext))
          continue;
        lateBy = Math.max(lateBy, this.#acknowledge(fragment, largest, onProgress));
      }
    }
    if (carrier > this.#windowNumber && !isOld) {
      this.#windowNumber = carrier;
      this.#isShut = frame.window === 0;
      if (!this.#isShut && this.#skipState === "waiting") this.#skipState = "due";
      this.#unknownFrom = frame.truncated ? serialAdd(frame.next, frame.map.length * 8 + 1) : -1;
      this.#setWindow(frame.next, frame.window);
    }
    this.#settle();
    return { isSound: true, lateBy, mistaken: this.#mistaken };
  }

  /** @returns by how many datagrams it was late, if it had been taken for lost and sent again. */
  #acknowledge(fragment: number, largest: number, onProgress: ProgressSink): number {
    const slot = this.#slot(fragment);
    if (slot.state !== "in-flight" && slot.state !== "lost") return 0;
    const wasNeedless = slot.number > largest && slot.previousNumber >= 0 && !slot.lostByLink;
    if (wasNeedless || (slot.state === "lost" && !slot.lostByLink)) this.#mistaken++;
    this.#leaveState(slot, "acknowledged");
    this.trace?.({ type: "fragment-acknowledged", fragment });
    const message = slot.message as OutgoingMessage;
    message.openFragments--;
    message.acknowledgedBytes += slot.to - slot.from;
    onProgress(message, message.isCut && message.openFragments === 0);
    return wasNeedless ? Math.min(64, Math.max(1, largest - slot.previousNumber + 1)) : 0;
  }

  /**
   * Judge what was sent in datagrams up to `largest`; section 7.2.
   * @param isLate - says for a fragment within the reordering distance whether its time is up
   * @returns fragments newly lost
   */
  detectLosses(
    largest: number,
    reordering: number,
    isLate: (slot: FragmentSlot) => boolean,
  ): number {
    if (this.#skipState === "in-flight" && this.#skipNumber <= largest - reordering) {
      this.#skipState = this.#isShut ? "waiting" : "due";
    }
    if (this.inFlight === 0) return 0;
    let found = 0;
    const sent = this.#knownCount;
    for (let i = 0; i < sent; i++) {
      const slot = this.#slot(serialAdd(this.#base, i));
      if (slot.state !== "in-flight" || slot.number > largest) continue;
      const isOvertaken = slot.number <= largest - reordering;
      if (isOvertaken || isLate(slot)) {
        this.#lose(slot, isOvertaken ? "overtaken" : "late");
        found++;
      }
    }
    return found;
  }

  /** Fragments from the base on of which the last ACK tells something. */
  get #knownCount(): number {
    const known = this.#unknownFrom < 0 ? this.#cutNext : this.#unknownFrom;
    return Math.min(serialDistance(this.#base, this.#cutNext), serialDistance(this.#base, known));
  }

  /** The link says of this datagram that the neighbour did not take it, or that it never left. */
  loseDatagram(number: number): void {
    if (this.#skipState === "in-flight" && this.#skipNumber === number) this.#skipState = "due";
    this.#eachInFlight((slot) => {
      if (slot.number !== number) return;
      this.#lose(slot, "link");
      slot.lostByLink = true;
    });
  }

  #lose(slot: FragmentSlot, cause: LossCause): void {
    this.#leaveState(slot, "lost");
    const { fragment, number } = slot;
    this.trace?.({ type: "fragment-lost", fragment, number, cause });
  }

  /** Everything in flight is to be sent again (an opening without an answer). */
  loseAll(): void {
    if (this.#skipState === "in-flight") this.#skipState = "due";
    this.#eachInFlight((slot) => {
      this.#lose(slot, "unanswered");
      slot.lostByLink = true;
    });
  }

  /** The link reports when this datagram left: the clock of its fragments starts there. */
  noteLeft(number: number, nowUs: number): void {
    this.#eachInFlight((slot) => {
      if (slot.number === number) slot.leftUs = nowUs;
    });
  }

  /** Earliest instant at which a fragment in flight left, or `Infinity`; for datagrams up to `largest`. */
  earliestLeftUs(largest: number): number {
    let earliest = Number.POSITIVE_INFINITY;
    const known = this.#knownCount;
    this.#eachInFlight((slot) => {
      const isKnown = serialDistance(this.#base, slot.fragment) < known;
      if (isKnown && slot.number <= largest) earliest = Math.min(earliest, slot.leftUs);
    });
    return earliest;
  }

  /** In-flight fragments small enough to be repeated in a probe, in order; section 7.4. */
  smallInFlight(bytesMax: number): FragmentSlot[] {
    const found: FragmentSlot[] = [];
    let bytes = 0;
    this.#eachInFlight((slot) => {
      bytes += slot.frameBytes;
      if (bytes <= bytesMax) found.push(slot);
    });
    return found;
  }

  /** Send nothing more of a message that has ended; the receiver is told by SKIP. */
  giveUp(message: OutgoingMessage): void {
    // Also what was acknowledged of it: SKIP must lead behind all of the message.
    this.#each((slot) => {
      if (slot.message === message) this.#leaveState(slot, "given-up");
    });
    if (this.#cutting === message) {
      // One number more than was sent: the receiver's `next` beyond it shows that it knows.
      this.#freshSlot(message).state = "given-up";
      this.#cutNext = serialAdd(this.#cutNext, 1);
      this.#cutting = undefined;
    }
    this.#settle();
  }

  /** The message that fragment `fragment` belongs to, while any of it is unsettled. */
  messageAt(fragment: number): OutgoingMessage | undefined {
    if (serialDistance(this.#base, fragment) < serialDistance(this.#base, this.#cutNext)) {
      return this.#slot(fragment).message;
    }
    const open = this.unfinished();
    return open.find((message) => message.firstFragment === fragment);
  }

  /** As {@link unfinished}, and all of their state forgotten: the session is over. */
  takeUnfinished(): OutgoingMessage[] {
    const messages = this.unfinished();
    this.#markOvertaken();
    this.#slots = [];
    this.#cutting = undefined;
    this.inFlight = this.#lost = 0;
    return messages;
  }

  /** What lies before a message that is known to have arrived whole would come after it if sent again. */
  #markOvertaken(): void {
    let isBehind = false;
    for (let at = serialDistance(this.#base, this.#cutNext); at-- > 0; ) {
      const { message, state } = this.#slot(serialAdd(this.#base, at));
      if (!message) continue;
      if (isBehind) message.isOvertaken = true;
      else isBehind = state === "acknowledged" && message.isCut && message.openFragments === 0;
    }
  }

  /** Take back an opening's fragments that turned out larger than the peer's MTU; section 5.2. */
  takeBackOversized(frameBytesMax: number): void {
    const slot = this.#cutNext === serialAdd(this.#base, 1) ? this.#slot(this.#base) : undefined;
    if (!slot?.message || slot.state === "acknowledged" || slot.frameBytes <= frameBytesMax) return;
    const message = slot.message;
    this.#leaveState(slot, "free");
    this.#cutNext = this.#base;
    message.rewind();
    this.queue.unshift([message]);
  }

  /** Messages begun and not ended, in order. */
  unfinished(): OutgoingMessage[] {
    const messages = new Set<OutgoingMessage>();
    const sent = serialDistance(this.#base, this.#cutNext);
    for (let i = 0; i < sent; i++) {
      const message = this.#slot(serialAdd(this.#base, i)).message;
      if (message && !message.hasEnded) messages.add(message);
    }
    if (this.#cutting && !this.#cutting.hasEnded) messages.add(this.#cutting);
    return [...messages];
  }

  #each(visit: (slot: FragmentSlot) => void): void {
    const sent = serialDistance(this.#base, this.#cutNext);
    for (let i = 0; i < sent; i++) {
      visit(this.#slot(serialAdd(this.#base, i)));
    }
  }

  #eachInFlight(visit: (slot: FragmentSlot) => void): void {
    if (this.inFlight === 0) return;
    this.#each((slot) => {
      if (slot.state === "in-flight") visit(slot);
    });
  }

  #leaveState(slot: FragmentSlot, state: SlotState): void {
    if (slot.state === "in-flight") this.inFlight--;
    else if (slot.state === "lost") this.#lost--;
    if (state === "lost") this.#lost++;
    slot.state = state;
  }

  /** Move the base over what is settled, and see whether the receiver must be told to skip. */
  #settle(): void {
    while (this.#base !== this.#cutNext) {
      const slot = this.#slot(this.#base);
      if (slot.state !== "acknowledged" && slot.state !== "given-up") break;
      this.#base = serialAdd(this.#base, 1);
      if (slot.state === "given-up") {
        this.#givenUpEnd = this.#base;
        this.#skipState = "due";
      }
      slot.state = "free";
      slot.message = undefined;
      slot.number = -1;
    }
    if (!serialAfter(this.#givenUpEnd, this.#peerNext)) this.#skipState = "none";
  }

  #slot(fragment: number): FragmentSlot {
    return this.#slots[fragment & this.#mask] as FragmentSlot;
  }

  #freshSlot(message: OutgoingMessage): FragmentSlot {
    const used = serialDistance(this.#base, this.#cutNext);
    if (used > this.#mask) this.#grow(used);
    const slot = this.#slot(this.#cutNext);
    slot.fragment = this.#cutNext;
    slot.message = message;
    slot.number = slot.previousNumber = -1;
    slot.lostByLink = false;
    slot.state = "free";
    return slot;
  }

  /** Rings start small, since most channels never carry more than a command at a time. */
  #grow(used: number): void {
    const capacity = Math.max(4, (this.#mask + 1) * 2);
    const slots: FragmentSlot[] = new Array(capacity);
    for (let i = 0; i < used; i++) {
      const fragment = serialAdd(this.#base, i);
      slots[fragment & (capacity - 1)] = this.#slot(fragment);
    }
    for (let i = 0; i < capacity; i++) slots[i] ??= new FragmentSlot();
    this.#slots = slots;
    this.#mask = capacity - 1;
  }
}
