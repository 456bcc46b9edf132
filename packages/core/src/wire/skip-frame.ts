import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import type { DecodeFault } from "./decoded.js";
import { TYPE_SKIP, typeByte } from "./frame-type.js";

/** Bytes of a SKIP frame. */
export const SKIP_FRAME_BYTES = 3;

/** The sender has given up what is missing before a fragment. PROTOCOL.md, section 3.4. */
export interface SkipFrame {
  readonly type: "skip";
  /** 0..15 */
  readonly channel: number;
  /** First fragment number that may still be sent, `u16`. */
  readonly next: number;
}

/** Writes a SKIP frame. */
export function encodeSkip(out: ByteWriter, channel: number, next: number): void {
  out.u8(typeByte(TYPE_SKIP, channel));
  out.u16(next);
}

/** Reads a SKIP frame, from its type byte on. */
export function decodeSkip(input: ByteReader): SkipFrame | DecodeFault {
  if (input.left < SKIP_FRAME_BYTES) return "truncated";
  const channel = input.u8() & 0x0f;
  const next = input.u16();
  return { type: "skip", channel, next };
}
