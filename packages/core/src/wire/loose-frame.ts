import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import { MESSAGE_CRC_BYTES } from "./data-frame.js";
import { type DecodeFault, readFault } from "./decoded.js";
import { TYPE_LOOSE, typeByte } from "./frame-type.js";
import { varintBytes } from "./varint.js";

/** Most fragments of one LOOSE message. */
export const LOOSE_FRAGMENTS_MAX = 128;

const LENGTH_BIT = 0x08;
const FRAGMENTED_BIT = 0x04;
const LANE_MASK = 0x03;
const LAST_BIT = 0x80;
const INDEX_MASK = 0x7f;
/** Message id, last bit and index. */
const FRAGMENT_HEAD_BYTES = 3;

/** A message, or a fragment of one, that is sent once. PROTOCOL.md, section 3.7. */
export interface LooseFrame {
  readonly type: "loose";
  /** 0..3 */
  readonly lane: number;
  /** Whether the message comes in fragments; if not, this is all of it. */
  readonly fragmented: boolean;
  /** Which message a fragment belongs to, `u16`; 0 when whole. */
  readonly id: number;
  /** Place of the fragment in its message, 0..127; 0 when whole. */
  readonly index: number;
  /** Last fragment of its message; `true` when whole. */
  readonly last: boolean;
  /** CRC-32 of the message, `u32`; 0 unless this is the last fragment of a fragmented one. */
  readonly crc32: number;
  /** The caller's bytes alone, as a view into the datagram. */
  readonly bytes: Uint8Array;
}

/** What {@link encodeLoose} needs: the fields of {@link LooseFrame}, and where the bytes are. */
export interface LooseFields {
  /** 0..3 */
  readonly lane: number;
  readonly fragmented: boolean;
  /** Whether the length is written. Without it, no frame may follow in the datagram. */
  readonly withLength: boolean;
  /** `u16`; written if fragmented. */
  readonly id: number;
  /** 0..127; written if fragmented. */
  readonly index: number;
  /** Written if fragmented. */
  readonly last: boolean;
  /** CRC-32 of the message, `u32`; written if fragmented and last. */
  readonly crc32: number;
  /** Where the caller's bytes are: from offset `from` to before `to`. */
  readonly bytes: Uint8Array;
  readonly from: number;
  readonly to: number;
}

/** Writes a LOOSE frame. */
export function encodeLoose(out: ByteWriter, frame: LooseFields): void {
  const { lane, fragmented, index, last, from, to } = frame;
  if (lane !== (lane & LANE_MASK)) throw new RangeError(`There is no lane ${lane}.`);
  const size = looseBodyBytes(to - from, fragmented, last);
  if (fragmented && isImpossible(index, last, size)) {
    throw new RangeError(`Fragment ${index} of ${size} bytes cannot be sent as LOOSE.`);
  }
  const flags = (frame.withLength ? LENGTH_BIT : 0) | (fragmented ? FRAGMENTED_BIT : 0);
  out.u8(typeByte(TYPE_LOOSE, flags | lane));
  if (fragmented) {
    out.u16(frame.id);
    out.u8((last ? LAST_BIT : 0) | index);
  }
  if (frame.withLength) out.varint(size);
  out.raw(frame.bytes, from, to);
  if (fragmented && last) out.u32(frame.crc32);
}

/** Reads a LOOSE frame, from its type byte on. */
export function decodeLoose(input: ByteReader): LooseFrame | DecodeFault {
  if (input.left < 1) return "truncated";
  const flags = input.u8();
  const lane = flags & LANE_MASK;
  const fragmented = (flags & FRAGMENTED_BIT) !== 0;
  let id = 0;
  let index = 0;
  let last = true;
  if (fragmented) {
    if (input.left < FRAGMENT_HEAD_BYTES) return "truncated";
    id = input.u16();
    const place = input.u8();
    index = place & INDEX_MASK;
    last = (place & LAST_BIT) !== 0;
  }
  let size = input.left;
  if (flags & LENGTH_BIT) {
    size = input.varint();
    if (size < 0) return readFault(size);
    if (size > input.left) return "truncated";
  }
  let crc32 = 0;
  if (fragmented && isImpossible(index, last, size)) return "bad-value";
  const withCrc = fragmented && last;
  const bytes = input.view(withCrc ? size - MESSAGE_CRC_BYTES : size);
  if (withCrc) crc32 = input.u32();
  return { type: "loose", lane, fragmented, id, index, last, crc32, bytes };
}

/**
 * Bytes that a LOOSE frame takes in the datagram.
 *
 * @param payload - the caller's bytes in this frame
 * @param options - fields of {@link LooseFields} that change the size
 */
export function looseFrameBytes(
  payload: number,
  options: {
    readonly fragmented: boolean;
    readonly last: boolean;
    readonly withLength: boolean;
  },
): number {
  const size = looseBodyBytes(payload, options.fragmented, options.last);
  const head = 1 + (options.fragmented ? FRAGMENT_HEAD_BYTES : 0);
  return head + (options.withLength ? varintBytes(size) : 0) + size;
}

/** What the length field counts: the caller's bytes, and the CRC-32 behind the last fragment. */
function looseBodyBytes(payload: number, fragmented: boolean, last: boolean): number {
  return fragmented && last ? payload + MESSAGE_CRC_BYTES : payload;
}

/**
 * What no fragment of a LOOSE message can be: beyond the 128th, or not the last one there; empty
 * without being the last; the last one without room for its CRC-32.
 */
function isImpossible(index: number, last: boolean, bodyBytes: number): boolean {
  if (!(index >= 0 && index < LOOSE_FRAGMENTS_MAX)) return true;
  return last ? bodyBytes < MESSAGE_CRC_BYTES : bodyBytes < 1 || index === LOOSE_FRAGMENTS_MAX - 1;
}
