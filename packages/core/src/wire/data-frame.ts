import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import { type DecodeFault, readFault } from "./decoded.js";
import { TYPE_DATA, typeByte } from "./frame-type.js";
import { varintBytes } from "./varint.js";

/** Bytes of the CRC-32 that ends a message of more than one fragment. */
export const MESSAGE_CRC_BYTES = 4;

const FIRST_BIT = 0x40;
const LAST_BIT = 0x20;
const LENGTH_BIT = 0x10;
/** Type byte and fragment number. */
const FIXED_BYTES = 3;

/** One fragment of a message on a channel. PROTOCOL.md, section 3.2. */
export interface DataFrame {
  readonly type: "data";
  /** 0..15 */
  readonly channel: number;
  /** Fragment number, `u16`. */
  readonly fragment: number;
  /** First fragment of its message. */
  readonly first: boolean;
  /** Last fragment of its message; with `first`: the message is this fragment. */
  readonly last: boolean;
  /** Length of the message in bytes; 0 when not told, or not the first of several fragments. */
  readonly total: number;
  /** CRC-32 of the message, `u32`; 0 unless this is the last of several fragments. */
  readonly crc32: number;
  /** The caller's bytes alone, as a view into the datagram. */
  readonly bytes: Uint8Array;
}

/** What {@link encodeData} needs: the fields of {@link DataFrame}, and where the bytes are. */
export interface DataFields {
  /** 0..15 */
  readonly channel: number;
  /** Fragment number, `u16`. */
  readonly fragment: number;
  readonly first: boolean;
  readonly last: boolean;
  /** Whether the length is written. Without it, no frame may follow in the datagram. */
  readonly withLength: boolean;
  /** Length of the message in bytes, 0: not told. Written if first of several fragments. */
  readonly total: number;
  /** CRC-32 of the message, `u32`. Written if last of several fragments. */
  readonly crc32: number;
  /** Where the caller's bytes are: from offset `from` to before `to`. */
  readonly bytes: Uint8Array;
  readonly from: number;
  readonly to: number;
}

/** Writes a DATA frame. */
export function encodeData(out: ByteWriter, frame: DataFields): void {
  const { first, last, from, to } = frame;
  const size = dataBodyBytes(to - from, first, last, frame.total);
  if (size === 0 && !(first && last)) {
    throw new RangeError("Only a message of one fragment may be empty.");
  }
  const flags =
    (first ? FIRST_BIT : 0) | (last ? LAST_BIT : 0) | (frame.withLength ? LENGTH_BIT : 0);
  out.u8(typeByte(TYPE_DATA | flags, frame.channel));
  out.u16(frame.fragment);
  if (frame.withLength) out.varint(size);
  if (first && !last) out.varint(frame.total);
  out.raw(frame.bytes, from, to);
  if (last && !first) out.u32(frame.crc32);
}

/** Reads a DATA frame, from its type byte on. */
export function decodeData(input: ByteReader): DataFrame | DecodeFault {
  if (input.left < FIXED_BYTES) return "truncated";
  const flags = input.u8();
  const channel = flags & 0x0f;
  const fragment = input.u16();
  const first = (flags & FIRST_BIT) !== 0;
  const last = (flags & LAST_BIT) !== 0;
  let size = input.left;
  if (flags & LENGTH_BIT) {
    size = input.varint();
    if (size < 0) return readFault(size);
    if (size > input.left) return "truncated";
  }
  let total = 0;
  let crc32 = 0;
  if (first && !last) {
    const start = input.at;
    total = input.varint();
    if (total < 0) return readFault(total);
    size -= input.at - start;
    // The length said that the fragment ends inside its own total.
    if (size < 0) return "bad-value";
  } else if (last && !first) {
    size -= MESSAGE_CRC_BYTES;
    if (size < 0) return "bad-value";
  } else if (size === 0 && !first) {
    return "bad-value";
  }
  const bytes = input.view(size);
  if (last && !first) crc32 = input.u32();
  return { type: "data", channel, fragment, first, last, total, crc32, bytes };
}

/**
 * Bytes that a DATA frame takes in the datagram.
 *
 * @param payload - the caller's bytes in this fragment
 * @param options - fields of {@link DataFields} that change the size
 */
export function dataFrameBytes(
  payload: number,
  options: {
    readonly first: boolean;
    readonly last: boolean;
    readonly withLength: boolean;
    readonly total: number;
  },
): number {
  const size = dataBodyBytes(payload, options.first, options.last, options.total);
  return FIXED_BYTES + (options.withLength ? varintBytes(size) : 0) + size;
}

/** What the length field counts: the caller's bytes, the total before them, the CRC-32 behind. */
function dataBodyBytes(payload: number, first: boolean, last: boolean, total: number): number {
  if (first) return last ? payload : payload + varintBytes(total);
  return last ? payload + MESSAGE_CRC_BYTES : payload;
}
