import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import type { DecodeFault } from "./decoded.js";
import { TYPE_ACK, typeByte } from "./frame-type.js";

/** Most bytes of map in an ACK: with them, and `next` itself, it speaks of 257 fragments. */
export const ACK_MAP_BYTES_MAX = 32;

const PROMPT_BIT = 0x80;
const TRUNCATED_BIT = 0x40;
const LENGTH_MASK = 0x3f;
/** Everything but the map. */
const FIXED_BYTES = 7;

/** What has arrived on one channel. PROTOCOL.md, section 3.3. */
export interface AckFrame {
  readonly type: "ack";
  /** 0..15 */
  readonly channel: number;
  /** Low 16 bits of the greatest datagram number received in this session. */
  readonly largest: number;
  /** Number of the first fragment that is still missing, `u16`. */
  readonly next: number;
  /** Fragments, counted from `next`, that the receiver takes, `u8`; 0: closed. */
  readonly window: number;
  /** Sent at once because datagram `largest` asked for it: a round-trip sample. */
  readonly prompt: boolean;
  /** The map was cut for lack of room. */
  readonly truncated: boolean;
  /**
   * 0 to {@link ACK_MAP_BYTES_MAX} bytes, a view into the datagram: bit `7 - i` of byte `j` says that
   * fragment `next + 1 + 8j + i` has arrived.
   */
  readonly map: Uint8Array;
}

/**
 * Writes an ACK frame.
 *
 * @param map - as in {@link AckFrame}; `mapBytes` of it are written, and the caller leaves off
 *   trailing zero bytes
 */
export function encodeAck(
  out: ByteWriter,
  channel: number,
  largest: number,
  next: number,
  window: number,
  prompt: boolean,
  truncated: boolean,
  map: Uint8Array,
  mapBytes: number,
): void {
  if (!(mapBytes >= 0 && mapBytes <= ACK_MAP_BYTES_MAX)) {
    throw new RangeError(`A map of ${mapBytes} bytes does not fit in an ACK.`);
  }
  out.u8(typeByte(TYPE_ACK, channel));
  out.u16(largest);
  out.u16(next);
  out.u8(window);
  out.u8((prompt ? PROMPT_BIT : 0) | (truncated ? TRUNCATED_BIT : 0) | mapBytes);
  out.raw(map, 0, mapBytes);
}

/**
 * Marks the ACK just written as incomplete: that another finds no room beside it shows only then.
 *
 * @param mapBytes - bytes of its map
 */
export function markAckTruncated(out: ByteWriter, mapBytes: number): void {
  const controlAt = out.at - mapBytes - 1;
  out.bytes[controlAt] = out.bytes[controlAt]! | TRUNCATED_BIT;
}

/** Reads an ACK frame, from its type byte on. */
export function decodeAck(input: ByteReader): AckFrame | DecodeFault {
  if (input.left < FIXED_BYTES) return "truncated";
  const channel = input.u8() & 0x0f;
  const largest = input.u16();
  const next = input.u16();
  const window = input.u8();
  const flags = input.u8();
  const mapBytes = flags & LENGTH_MASK;
  if (mapBytes > ACK_MAP_BYTES_MAX) return "bad-value";
  if (mapBytes > input.left) return "truncated";
  return {
    type: "ack",
    channel,
    largest,
    next,
    window,
    prompt: (flags & PROMPT_BIT) !== 0,
    truncated: (flags & TRUNCATED_BIT) !== 0,
    map: input.view(mapBytes),
  };
}

/**
 * Bytes that an ACK frame takes in the datagram.
 * @param mapBytes - 0..{@link ACK_MAP_BYTES_MAX}
 */
export function ackFrameBytes(mapBytes: number): number {
  return FIXED_BYTES + mapBytes;
}
