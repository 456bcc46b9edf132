import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import { TYPE_NO_SESSION } from "./frame-type.js";

/** Bytes of a NO-SESSION frame. */
export const NO_SESSION_FRAME_BYTES = 1;

/** "I have no session under the token you sent to." PROTOCOL.md, section 3.6. */
export interface NoSessionFrame {
  readonly type: "no-session";
}

/** Writes a NO-SESSION frame, which stands alone in a long datagram with `token from` = 0. */
export function encodeNoSession(out: ByteWriter): void {
  out.u8(TYPE_NO_SESSION);
}

/** Reads a NO-SESSION frame, from its type byte on. */
export function decodeNoSession(input: ByteReader): NoSessionFrame {
  input.u8();
  return { type: "no-session" };
}
