import { MESSAGE_CRC_BYTES } from "../wire/data-frame.js";
import { varintBytes } from "../wire/varint.js";
import type { OutgoingMessage } from "./outgoing-message.js";

/** Bytes of a DATA frame before its payload when no length is written. */
export const DATA_HEAD_BYTES = 3;

export type SlotState = "free" | "in-flight" | "lost" | "acknowledged" | "given-up";

/** One fragment that was cut and is remembered until everything before it is settled. */
export class FragmentSlot {
  state: SlotState = "free";
  fragment = 0;
  message: OutgoingMessage | undefined;
  from = 0;
  to = 0;
  first = false;
  last = false;
  /** Number of the last datagram that carried it, and of the one before; -1: none. */
  number = -1;
  previousNumber = -1;
  /** When that datagram left (or was handed over, until the link tells), microseconds. */
  leftUs = 0;
  /** The last loss was the link's word, not an ack's: no sign of reordering if it proves wrong. */
  lostByLink = false;

  /** Bytes of its DATA frame, without the optional length. */
  get frameBytes(): number {
    const total = this.first && !this.last ? varintBytes(this.totalBytes) : 0;
    const crc = this.last && !this.first ? MESSAGE_CRC_BYTES : 0;
    return DATA_HEAD_BYTES + total + this.to - this.from + crc;
  }

  get totalBytes(): number {
    return this.message?.bytes.length ?? 0;
  }
}
