import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import type { DecodeFault } from "./decoded.js";
import { TYPE_CLOSE } from "./frame-type.js";

/** Bytes of a CLOSE frame. */
export const CLOSE_FRAME_BYTES = 2;

/** Why a session is closed. */
export const CLOSE_REASON = { done: 0, shuttingDown: 1, fault: 2 } as const;

/** Ends the session now. PROTOCOL.md, section 3.6. */
export interface CloseFrame {
  readonly type: "close";
  /** One of {@link CLOSE_REASON}, or any other `u8` that a later version may define. */
  readonly reason: number;
}

/** Writes a CLOSE frame. */
export function encodeClose(out: ByteWriter, reason: number): void {
  out.u8(TYPE_CLOSE);
  out.u8(reason);
}

/** Reads a CLOSE frame, from its type byte on. */
export function decodeClose(input: ByteReader): CloseFrame | DecodeFault {
  if (input.left < CLOSE_FRAME_BYTES) return "truncated";
  input.u8();
  const reason = input.u8();
  return { type: "close", reason };
}
