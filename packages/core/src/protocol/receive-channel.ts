import type { DataFrame } from "../wire/data-frame.js";
import { serialAdd, serialAfter, serialDistance } from "../wire/serial-number.js";
import { STOP_REASON } from "../wire/stop-frame.js";
import type { Budget } from "./budget.js";
import { FRAGMENT_WINDOW_MAX, type Way, wayOfChannel } from "./channels.js";
import { type Acceptance, HOLDING_BYTES } from "./config.js";
import { Reassembly } from "./reassembly.js";
import { ReorderBuffer, type Waiting } from "./reorder-buffer.js";

/** What became of a fragment that arrived. */
export type Taken = "taken" | "duplicate" | "dropped" | "contradiction";

/** Where a receive channel puts what it has made of fragments, and whom it asks before. */
export interface ReceiveSink {
  judge(channel: number, totalBytes: number | undefined): Acceptance;
  deliver(channel: number, bytes: Uint8Array, heldBytes: number): void;
  /** @returns a number for the stream, 0 or more */
  openStream(channel: number, totalBytes: number | undefined): number;
  streamData(stream: number, bytes: Uint8Array, heldBytes: number): void;
  endStream(stream: number): void;
  failStream(stream: number, code: "damaged" | "sender-gave-up"): void;
  /** Whether another stream may be opened before the owner has taken one of those that wait. */
  hasStreamRoom(): boolean;
}

/** A whole window, and the number that giving up in mid-message consumes; section 5.4. */
const SKIP_DISTANCE_MAX = FRAGMENT_WINDOW_MAX + 1;

/** Limits that a receive channel obeys. */
export interface ReceiveLimits {
  readonly window: number;
  /** Largest fragment that the peer can send, bytes: known better once it has said HELLO. */
  fragmentBytes(): number;
  readonly messageBytesMax: number;
  readonly streamBytesMax: number;
}

/**
 * The receiving side of one channel in one session: puts fragments in order and messages together,
 * and says how much more it takes. PROTOCOL.md, sections 5.3 and 8.
 */
export class ReceiveChannel {
  readonly way: Exclude<Way, "unacknowledged">;
  #next: number;
  readonly #reorder: ReorderBuffer;
  #reassembly: Reassembly | undefined;
  /** Room that a message needs and did not find; the window stays closed until there is. */
  #wantedBytes = 0;
  /** A message could not begin because too many streams wait. */
  #wantsStream = false;
  #isClosing = false;
  /** First fragment number that the window of the last ACK did not cover. */
  #statedLimit: number;
  /** Fragments that complete a message which is not taken: their copies are refused without a look. */
  readonly #condemned = new Map<number, { first: number; reason: number }>();
  /** The last fragment that was passed over because it could not be what it said; -1: none. */
  #passed = -1;
  /** A STOP to send with the next ack. */
  stop: { first: number; reason: number } | undefined;
  /** Acks that still have to mention this channel; section 6. */
  mentions = 0;

  constructor(
    readonly channel: number,
    start: number,
    readonly limits: ReceiveLimits,
    readonly budget: Budget,
    waitingBudget: Budget,
    readonly sink: ReceiveSink,
  ) {
    this.way = wayOfChannel(channel);
    this.#next = start;
    this.#statedLimit = serialAdd(start, limits.window);
    this.#reorder = new ReorderBuffer(waitingBudget);
  }

  get next(): number {
    return this.#next;
  }

  /** Take a DATA frame. Bytes are copied: the frame is a view into the link's datagram. */
  accept(frame: DataFrame): Taken {
    const ahead = serialDistance(this.#next, frame.fragment);
    if (frame.fragment === this.#passed) this.#refuse(this.#passed, STOP_REASON.damaged);
    if (ahead >= 0x8000) return "duplicate";
    if (ahead >= this.limits.window) return "dropped";
    const present = this.#reorder.get(frame.fragment);
    if (present && hasSameShape(present, frame)) return "duplicate";
    if (present) {
      // One of the two is damaged, and nobody knows which.
      this.#refuse(frame.fragment, STOP_REASON.damaged);
      return "contradiction";
    }
    return ahead === 0 ? this.#acceptNext(frame) : this.#acceptAhead(frame);
  }

  /**
   * The sender sends nothing before `target` any more: deliver what is complete, drop the rest.
   * @returns false if it lies out of range, and nothing was changed
   */
  skipTo(target: number): boolean {
    const ahead = serialDistance(this.#next, target);
    if (ahead >= 0x8000) return true;
    if (ahead > SKIP_DISTANCE_MAX) return false;
    if (this.#reorder.isEmpty) this.#jump(target);
    while (this.#next !== target) {
      const waiting = this.#reorder.get(this.#next);
      if (!waiting || (waiting.bytes && waiting.first)) this.#dropReassembly();
      if (waiting?.bytes && waiting.first === (this.#reassembly === undefined)) {
        const isBlocked = !this.#takeWaiting(waiting) && !this.#reassembly?.refusal;
        // Complete, and only without room: it was acknowledged, so it waits; SKIP comes again.
        if (isBlocked && this.#reorder.reachesEnd(this.#next)) return true;
        if (isBlocked) this.#dropReassembly();
      }
      this.#advance();
    }
    this.#dropReassembly();
    this.#wantedBytes = 0;
    this.drain();
    return true;
  }

  /**
   * Move over fragments that wait right behind; also after room was made.
   * @param arrived - the fragment that has just been taken, if one has
   */
  drain(arrived = -1): void {
    for (;;) {
      const waiting = this.#reorder.get(this.#next);
      if (!waiting) return;
      if (waiting.bytes) {
        if (waiting.first !== (this.#reassembly === undefined)) {
          if (!this.#passDamaged(arrived)) return;
          continue;
        }
        if (!this.#takeWaiting(waiting)) return;
      }
      this.#advance();
    }
  }

  /**
   * Its turn has come, and it does not continue what is there: damage that a CRC-16 has let pass.
   * @returns whether there is more to look at
   */
  #passDamaged(arrived: number): boolean {
    const reassembly = this.#reassembly;
    if (!reassembly) {
      // It may have been acknowledged, and then does not come again: nothing may wait for it.
      this.#passed = this.#next;
      this.#refuse(this.#passed, STOP_REASON.damaged);
      this.#advance();
      return true;
    }
    const { firstFragment } = reassembly;
    if (arrived >= 0 && serialDistance(firstFragment, arrived) < 0x8000)
      return this.#condemn(reassembly, STOP_REASON.damaged);
    this.#refuse(firstFragment, STOP_REASON.damaged);
    this.#dropReassembly();
    return true;
  }

  /** The reader of a stream has lost interest: nothing more of it is kept. */
  cancelStream(stream: number): void {
    const reassembly = this.#reassembly;
    if (reassembly?.stream !== stream) return;
    reassembly.refusal = STOP_REASON.noLongerRead;
    this.#refuse(reassembly.firstFragment, STOP_REASON.noLongerRead);
  }

  /** Bytes of the stream in progress have been read. */
  noteStreamRead(stream: number, heldBytes: number): void {
    if (this.#reassembly?.stream === stream) this.#reassembly.unreadBytes -= heldBytes;
  }

  /** Stream in progress, or -1. */
  get stream(): number {
    return this.#reassembly?.stream ?? -1;
  }

  /** The message under way, as far as it lies in order. */
  get reassembly(): Pick<Reassembly, "totalBytes" | "receivedBytes"> | undefined {
    return this.#reassembly;
  }

  /** Part of a message is here, and the rest is to come. */
  get holdsPart(): boolean {
    return this.#reassembly !== undefined || !this.#reorder.isEmpty;
  }

  /**
   * The session is over. What waits complete behind a gap was acknowledged and is delivered, since
   * what it waited for will not come; nothing else may be held.
   * @returns the stream that it cuts off, or -1
   */
  close(): number {
    this.#isClosing = true;
    if (!this.#reorder.isEmpty) this.skipTo(serialAdd(this.#next, FRAGMENT_WINDOW_MAX));
    const { stream } = this;
    this.#reassembly?.release(this.budget);
    this.#reassembly = undefined;
    this.#reorder.clear();
    return stream;
  }

  /** Fragments from `next` on that would be taken now; section 8. */
  get window(): number {
    const reassembly = this.#reassembly;
    let room = this.budget.freeBytes;
    if (reassembly && !reassembly.isStream) {
      // Its room is reserved: it goes on whatever else is full.
      room += reassembly.missingBytes;
    } else {
      if (reassembly) room = Math.min(room, this.#streamRoom(reassembly.unreadBytes));
      if (room <= 0 || room < this.#wantedBytes) return 0;
      if (this.#wantsStream && !this.sink.hasStreamRoom()) return 0;
      this.#wantsStream = false;
      this.#wantedBytes = 0;
    }
    // One at least: what then finds no room says how much it wants, and closes the window until there is.
    return Math.min(this.limits.window, Math.max(1, Math.floor(room / this.#fragmentBytes)));
  }

  /** With nothing unread a stream takes one fragment, even one that is larger than it may hold. */
  #streamRoom(unreadBytes: number): number {
    const room = this.limits.streamBytesMax - unreadBytes;
    return unreadBytes > 0 ? room : Math.max(room, this.#wantedBytes);
  }

  get #fragmentBytes(): number {
    return this.limits.fragmentBytes() + HOLDING_BYTES;
  }

  /** Remember what an ACK tells now, and return its window. */
  stateWindow(): number {
    const window = this.window;
    this.#statedLimit = serialAdd(this.#next, window);
    return window;
  }

  get #statedRoom(): number {
    const stated = serialDistance(this.#next, this.#statedLimit);
    return stated > FRAGMENT_WINDOW_MAX ? 0 : stated;
  }

  /** Whether the window has grown enough since the last ACK to be worth telling; RFC 813. */
  get isWindowWorthTelling(): boolean {
    const statedRoom = this.#statedRoom;
    if (statedRoom >= this.limits.window) return false;
    const reachable = this.#reassembly?.isStream
      ? this.limits.streamBytesMax
      : this.budget.bytesMax;
    const largest = Math.min(this.limits.window, Math.floor(reachable / this.#fragmentBytes));
    return this.window - statedRoom >= Math.max(1, largest >>> 1);
  }

  writeMap(map: Uint8Array): number {
    return this.#reorder.writeMap(this.#next, map);
  }

  /** Nothing waits on the way. */
  #jump(target: number): void {
    this.#dropReassembly();
    this.#condemned.clear();
    this.#next = target;
  }

  #advance(): void {
    this.#reorder.forget(this.#next);
    this.#condemned.delete(this.#next);
    this.#next = serialAdd(this.#next, 1);
  }

  #acceptNext(frame: DataFrame): Taken {
    if (frame.first !== (this.#reassembly === undefined)) return this.#contradict();
    const acceptance = frame.first ? this.#judge(frame) : "whole";
    if (acceptance === "refuse" || !this.#take(frame, acceptance)) return "dropped";
    const arrived = this.#next;
    this.#next = serialAdd(arrived, 1);
    this.drain(arrived);
    // Found damaged only now, with fragments acknowledged before: the one that completed it is not
    // taken, so the sender cannot believe that all arrived, and hears STOP instead.
    const condemned = this.#reassembly?.refusal ? this.#reassembly : undefined;
    if (condemned && serialDistance(condemned.firstFragment, arrived) < 0x8000)
      this.#next = arrived;
    return "taken";
  }

  #acceptAhead(frame: DataFrame): Taken {
    const condemned = this.#condemned.get(frame.fragment);
    if (condemned) {
      this.#refuse(condemned.first, condemned.reason);
      return "dropped";
    }
    const acceptance = frame.first ? this.#judge(frame) : "whole";
    if (acceptance === "refuse") return "dropped";
    const { fragment } = frame;
    if (this.way !== "ordered" && frame.first && frame.last) {
      if (!this.#takeSingle(frame.bytes, acceptance)) return "dropped";
      this.#reorder.markDelivered(fragment);
      if (this.way === "latest") this.#passOver(fragment);
      return "taken";
    }
    if (!this.#reorder.keep(frame, acceptance)) return "dropped";
    const run = this.#reorder.findRun(fragment);
    if (!run) return "taken";
    const isTooLarge = run.acceptance === "whole" && run.bytes.length > this.limits.messageBytesMax;
    if (!run.isSound || isTooLarge) {
      const reason = isTooLarge ? STOP_REASON.tooLarge : STOP_REASON.damaged;
      this.#reorder.forget(fragment);
      this.#condemned.set(fragment, { first: run.firstFragment, reason });
      this.#refuse(run.firstFragment, reason);
      return "dropped";
    }
    if (this.way !== "ordered") {
      if (this.#waitsForStreams(run.acceptance)) {
        this.#reorder.forget(fragment);
        return "dropped";
      }
      this.#reorder.markRunDelivered(run);
      this.#takeSingle(run.bytes, run.acceptance);
      if (this.way === "latest") this.#passOver(run.lastFragment);
    }
    return "taken";
  }

  /** Whether and how the owner takes the message that begins with this fragment. */
  #judge(frame: DataFrame): Acceptance {
    const total = frame.last ? frame.bytes.length : frame.total || undefined;
    const acceptance = this.sink.judge(this.channel, total);
    if (acceptance === "refuse") this.#refuse(frame.fragment, STOP_REASON.notWanted);
    if (acceptance !== "whole" || (total ?? 0) <= this.limits.messageBytesMax) return acceptance;
    this.#refuse(frame.fragment, STOP_REASON.tooLarge);
    return "refuse";
  }

  /** A fragment whose turn it is; nothing changes if it cannot be taken. */
  #take(piece: Waiting | DataFrame, acceptance: Acceptance): boolean {
    const bytes = piece.bytes as Uint8Array;
    if (piece.first && piece.last) return this.#takeSingle(bytes, acceptance);
    if (piece.first && !this.#begin(piece.total || undefined, acceptance, bytes.length))
      return false;
    const reassembly = this.#reassembly as Reassembly;
    if (reassembly.refusal) return this.#refuse(reassembly.firstFragment, reassembly.refusal);
    return reassembly.isStream
      ? this.#addToStream(reassembly, piece, bytes)
      : this.#addToMessage(reassembly, piece, bytes);
  }

  #takeWaiting(waiting: Waiting): boolean {
    const held = (waiting.bytes as Uint8Array).length + HOLDING_BYTES;
    // Given back first: moving a fragment from one place to the other needs no extra room.
    this.#reorder.budget.give(held);
    const isTaken = this.#take(waiting, waiting.acceptance);
    if (isTaken || this.#reassembly?.refusal) waiting.bytes = undefined;
    else this.#reorder.budget.take(held);
    return isTaken;
  }

  /** What was acknowledged before the session ended is handed over all the same. */
  #waitsForStreams(acceptance: Acceptance): boolean {
    const waits = acceptance === "stream" && !this.#isClosing && !this.sink.hasStreamRoom();
    this.#wantsStream ||= waits;
    return waits;
  }

  #takeSingle(bytes: Uint8Array, acceptance: Acceptance): boolean {
    if (this.#waitsForStreams(acceptance)) return false;
    const held = bytes.length + HOLDING_BYTES;
    if (!this.#reserve(held)) return false;
    if (acceptance === "whole") {
      this.sink.deliver(this.channel, bytes.slice(), held);
    } else {
      const stream = this.sink.openStream(this.channel, bytes.length);
      this.sink.streamData(stream, bytes.slice(), held);
      this.sink.endStream(stream);
    }
    return true;
  }

  #reserve(bytes: number): boolean {
    // What is handed over at the end lies here already: its room is given back piece by piece.
    const isTaken = this.#isClosing ? this.budget.takeAnyway(bytes) : this.budget.take(bytes);
    this.#wantedBytes = isTaken ? 0 : bytes;
    return isTaken;
  }

  /** Nothing is begun unless its first fragment finds room too. */
  #begin(total: number | undefined, acceptance: Acceptance, firstBytes: number): boolean {
    if (this.#waitsForStreams(acceptance)) return false;
    const held = firstBytes + HOLDING_BYTES;
    if (this.budget.freeBytes < held && !this.#isClosing) {
      this.#wantedBytes = held;
      return false;
    }
    if (acceptance === "stream") {
      this.#reassembly = new Reassembly(
        this.#next,
        total,
        this.sink.openStream(this.channel, total),
      );
      return true;
    }
    if (!this.#reserve((total ?? 0) + HOLDING_BYTES)) return false;
    this.#reassembly = new Reassembly(this.#next, total, -1);
    return true;
  }

  #addToMessage(reassembly: Reassembly, piece: Waiting | DataFrame, bytes: Uint8Array): boolean {
    const isTold = reassembly.totalBytes !== undefined;
    if (!isTold && reassembly.receivedBytes + bytes.length > this.limits.messageBytesMax) {
      return this.#condemn(reassembly, STOP_REASON.tooLarge);
    }
    if (!reassembly.hasPlaceFor(bytes.length))
      return this.#condemn(reassembly, STOP_REASON.damaged);
    if (piece.last && !reassembly.fits(bytes, piece.crc32))
      return this.#condemn(reassembly, STOP_REASON.damaged);
    if (!isTold && !this.#reserve(bytes.length)) return false;
    reassembly.add(bytes);
    if (piece.last) {
      this.#reassembly = undefined;
      const whole = reassembly.whole;
      this.sink.deliver(this.channel, whole, whole.length + HOLDING_BYTES);
    }
    return true;
  }

  #addToStream(reassembly: Reassembly, piece: Waiting | DataFrame, bytes: Uint8Array): boolean {
    const held = bytes.length + HOLDING_BYTES;
    const isFull =
      !this.#isClosing &&
      reassembly.unreadBytes > 0 &&
      reassembly.unreadBytes + held > this.limits.streamBytesMax;
    if (isFull) {
      this.#wantedBytes = held;
      return false;
    }
    const isSound = piece.last
      ? reassembly.fits(bytes, piece.crc32)
      : reassembly.hasPlaceFor(bytes.length);
    if (!isSound) return this.#condemn(reassembly, STOP_REASON.damaged);
    if (bytes.length > 0) {
      if (!this.#reserve(held)) return false;
      reassembly.add(bytes);
      reassembly.unreadBytes += held;
      this.sink.streamData(reassembly.stream, bytes.slice(), held);
    }
    if (piece.last) {
      this.#reassembly = undefined;
      this.sink.endStream(reassembly.stream);
    }
    return true;
  }

  /** A newer value is here: everything up to `fragment` is void. */
  #passOver(fragment: number): void {
    this.#dropReassembly();
    this.#wantedBytes = 0;
    while (serialAfter(serialAdd(fragment, 1), this.#next)) this.#advance();
    this.drain();
  }

  #dropReassembly(): void {
    const reassembly = this.#reassembly;
    if (!reassembly) return;
    this.#reassembly = undefined;
    if (reassembly.isStream && reassembly.refusal !== STOP_REASON.noLongerRead) {
      this.sink.failStream(reassembly.stream, reassembly.refusal ? "damaged" : "sender-gave-up");
    }
    reassembly.release(this.budget);
  }

  /** Nothing more of this message is taken; the sender is told each time until it skips. */
  #condemn(reassembly: Reassembly, reason: number): false {
    reassembly.refusal = reason;
    return this.#refuse(reassembly.firstFragment, reason);
  }

  #refuse(first: number, reason: number): false {
    this.stop = { first, reason };
    this.mentions = 2;
    return false;
  }

  /** A beginning inside a message, or a middle outside of one: only damage that the CRC let pass. */
  #contradict(): Taken {
    const reassembly = this.#reassembly;
    if (reassembly) this.#condemn(reassembly, reassembly.refusal || STOP_REASON.damaged);
    else this.#refuse(this.#next, STOP_REASON.damaged);
    return "contradiction";
  }
}

function hasSameShape(waiting: Waiting, frame: DataFrame): boolean {
  if (!waiting.bytes) return true;
  if (waiting.first !== frame.first || waiting.last !== frame.last) return false;
  const { bytes } = waiting;
  return bytes.length === frame.bytes.length && bytes.every((byte, at) => byte === frame.bytes[at]);
}
