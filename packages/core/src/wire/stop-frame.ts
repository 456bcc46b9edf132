import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import type { DecodeFault } from "./decoded.js";
import { TYPE_STOP, typeByte } from "./frame-type.js";

/** Bytes of a STOP frame. */
export const STOP_FRAME_BYTES = 4;

/** Why a receiver does not take a message. Others that arrive are treated as `notWanted`. */
export const STOP_REASON = { tooLarge: 1, notWanted: 2, damaged: 3, noLongerRead: 4 } as const;

/** The receiver does not take a message. PROTOCOL.md, section 3.4. */
export interface StopFrame {
  readonly type: "stop";
  /** 0..15 */
  readonly channel: number;
  /** Number of the message's first fragment, `u16`. */
  readonly first: number;
  /** One of {@link STOP_REASON}, or any other `u8` that a later version may define. */
  readonly reason: number;
}

/** Writes a STOP frame. */
export function encodeStop(out: ByteWriter, channel: number, first: number, reason: number): void {
  out.u8(typeByte(TYPE_STOP, channel));
  out.u16(first);
  out.u8(reason);
}

/** Reads a STOP frame, from its type byte on. */
export function decodeStop(input: ByteReader): StopFrame | DecodeFault {
  if (input.left < STOP_FRAME_BYTES) return "truncated";
  const channel = input.u8() & 0x0f;
  const first = input.u16();
  const reason = input.u8();
  return { type: "stop", channel, first, reason };
}
