import type { ByteWriter } from "../wire/byte-writer.js";
import { updateCrc32 } from "../wire/crc32.js";
import { MESSAGE_CRC_BYTES } from "../wire/data-frame.js";
import { encodeLoose, LOOSE_FRAGMENTS_MAX, type LooseFrame } from "../wire/loose-frame.js";
import type { Budget } from "./budget.js";
import { HOLDING_BYTES } from "./config.js";
import type { MessageQueue, OutgoingMessage } from "./outgoing-message.js";
import { concatenate } from "./reorder-buffer.js";

const WHOLE_HEAD_BYTES = 1;
const FRAGMENT_HEAD_BYTES = 4;
/** An incomplete message is dropped so long after its first fragment, microseconds. */
const LOOSE_WAIT_US = 10_000_000;
/**
 * Bytes around the frames of a datagram. Counted for the long form, so that a message never has to
 * wait for a peer that does not answer (PROTOCOL.md, 2.3), unless datagrams are too small for that.
 */
function aroundBytes(mtuBytes: number): number {
  return mtuBytes < 64 ? 5 : 15;
}

/** Largest unacknowledged message on a link, bytes. */
export function looseBytesMax(mtuBytes: number): number {
  return LOOSE_FRAGMENTS_MAX * loosePayload(mtuBytes) - MESSAGE_CRC_BYTES;
}

function loosePayload(mtuBytes: number): number {
  return Math.max(1, mtuBytes - aroundBytes(mtuBytes) - FRAGMENT_HEAD_BYTES);
}

/** The sending side of unacknowledged messages: each fragment goes once. PROTOCOL.md, section 3.7. */
export class LooseSender {
  #id: number;
  #index = 0;
  /** Messages whose last fragment is with the link, by datagram number. */
  readonly #leaving = new Map<number, OutgoingMessage[]>();

  constructor(
    readonly queue: MessageQueue,
    start: number,
  ) {
    this.#id = start;
  }

  get foremost(): OutgoingMessage | undefined {
    return this.queue.first;
  }

  /** Bytes of the frame that comes next; all of a small message, or one fragment's share. */
  nextFrameBytes(mtuBytes: number): number {
    const message = this.queue.first as OutgoingMessage;
    const whole = WHOLE_HEAD_BYTES + message.bytes.length;
    if (message.cutBytes === 0 && whole <= mtuBytes - aroundBytes(mtuBytes)) return whole;
    const left = message.bytes.length - message.cutBytes + MESSAGE_CRC_BYTES;
    return FRAGMENT_HEAD_BYTES + Math.min(left, loosePayload(mtuBytes));
  }

  /** Write the next frame as the last of its datagram, or with its length. */
  write(out: ByteWriter, number: number, mtuBytes: number, withLength: boolean): void {
    const message = this.queue.first as OutgoingMessage;
    const left = message.bytes.length - message.cutBytes;
    const fragmented =
      message.cutBytes > 0 || WHOLE_HEAD_BYTES + left > mtuBytes - aroundBytes(mtuBytes);
    const last = !fragmented || left + MESSAGE_CRC_BYTES <= loosePayload(mtuBytes);
    const from = message.cutBytes;
    if (fragmented && from === 0) {
      this.#id = (this.#id + 1) & 0xffff;
      this.#index = 0;
    }
    // The last fragment keeps room for the CRC-32, and something of the message besides it.
    const to = last ? message.bytes.length : from + Math.min(left - 1, loosePayload(mtuBytes));
    encodeLoose(out, {
      lane: message.channel,
      fragmented,
      withLength,
      id: fragmented ? this.#id : 0,
      index: fragmented ? this.#index : 0,
      last,
      crc32: fragmented && last ? message.crc32 : 0,
      bytes: message.bytes,
      from,
      to,
    });
    message.cutBytes = to;
    message.fragmentsSent++;
    this.#index++;
    if (!last) return;
    message.isCut = true;
    this.queue.shift();
    this.#leaving.set(number, [...(this.#leaving.get(number) ?? []), message]);
  }

  /** The messages that ended with this datagram, whatever the link says of it. */
  takeLeft(number: number): readonly OutgoingMessage[] {
    const messages = this.#leaving.get(number) ?? [];
    this.#leaving.delete(number);
    return messages;
  }

  /** The session is over: all that had begun. */
  takeUnfinished(): OutgoingMessage[] {
    const leaving = [...this.#leaving.values()].flat();
    this.#leaving.clear();
    return leaving;
  }
}

/** Where whole unacknowledged messages go. */
export interface LooseSink {
  deliverLoose(lane: number, bytes: Uint8Array, heldBytes: number): void;
}

interface LoosePieces {
  readonly id: number;
  readonly begunUs: number;
  readonly pieces: Map<number, Uint8Array>;
  count: number;
  crc32: number;
}

/** The receiving side: one message in fragments at a time and lane; a newer one takes its place. */
export class LooseReceiver {
  readonly #lanes: (LoosePieces | undefined)[] = [];

  constructor(
    readonly budget: Budget,
    /** Counts the pieces of incomplete messages. */
    readonly waitingBudget: Budget,
    readonly messageBytesMax: number,
    readonly sink: LooseSink,
  ) {}

  /** @returns false if there was no room for it. */
  accept(frame: LooseFrame, nowUs: number): boolean {
    if (!frame.fragmented) return this.#hand(frame.lane, frame.bytes.slice());
    let pieces = this.#lanes[frame.lane];
    if (pieces?.id !== frame.id) {
      this.#drop(frame.lane);
      pieces = { id: frame.id, begunUs: nowUs, pieces: new Map(), count: 0, crc32: 0 };
      this.#lanes[frame.lane] = pieces;
    }
    if (pieces.pieces.has(frame.index)) return true;
    if (!this.waitingBudget.take(frame.bytes.length + HOLDING_BYTES)) return false;
    pieces.pieces.set(frame.index, frame.bytes.slice());
    if (frame.last) {
      pieces.count = frame.index + 1;
      pieces.crc32 = frame.crc32;
    }
    return pieces.pieces.size !== pieces.count || this.#complete(frame.lane, pieces);
  }

  #complete(lane: number, { pieces, count, crc32 }: LoosePieces): boolean {
    const ordered: Uint8Array[] = [];
    for (let index = 0; index < count; index++) {
      const piece = pieces.get(index);
      if (!piece) break;
      ordered.push(piece);
    }
    const bytes = concatenate(ordered);
    this.#drop(lane);
    const isSound = ordered.length === count && updateCrc32(0, bytes) === crc32;
    return isSound && bytes.length <= this.messageBytesMax && this.#hand(lane, bytes);
  }

  #hand(lane: number, bytes: Uint8Array): boolean {
    const held = bytes.length + HOLDING_BYTES;
    if (!this.budget.take(held)) return false;
    this.sink.deliverLoose(lane, bytes, held);
    return true;
  }

  #drop(lane: number): void {
    for (const piece of this.#lanes[lane]?.pieces.values() ?? [])
      this.waitingBudget.give(piece.length + HOLDING_BYTES);
    this.#lanes[lane] = undefined;
  }

  /** Instant at which {@link expire} has something to do. */
  get dueUs(): number {
    let dueUs = Number.POSITIVE_INFINITY;
    for (const pieces of this.#lanes) {
      if (pieces) dueUs = Math.min(dueUs, pieces.begunUs + LOOSE_WAIT_US);
    }
    return dueUs;
  }

  /** What is incomplete after seconds has lost a fragment, which is never sent again. */
  expire(nowUs: number): void {
    for (let lane = 0; lane < this.#lanes.length; lane++) {
      if ((this.#lanes[lane]?.begunUs ?? nowUs) + LOOSE_WAIT_US <= nowUs) this.#drop(lane);
    }
  }

  clear(): void {
    for (let lane = 0; lane < this.#lanes.length; lane++) this.#drop(lane);
  }
}
