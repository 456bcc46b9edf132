import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import type { DecodeFault } from "./decoded.js";
import { TYPE_EXTENSION, typeByte } from "./frame-type.js";

/** Type byte and length. */
const FIXED_BYTES = 2;

/** Something that a later version defines; passed over. PROTOCOL.md, section 3.8. */
export interface ExtensionFrame {
  readonly type: "extension";
  /** 0..15 */
  readonly kind: number;
  /** 0..255 bytes, a view into the datagram. */
  readonly bytes: Uint8Array;
}

/** Writes an extension frame. */
export function encodeExtension(out: ByteWriter, kind: number, bytes: Uint8Array): void {
  out.u8(typeByte(TYPE_EXTENSION, kind));
  out.u8(bytes.length);
  out.raw(bytes);
}

/** Reads an extension frame, from its type byte on. */
export function decodeExtension(input: ByteReader): ExtensionFrame | DecodeFault {
  if (input.left < FIXED_BYTES) return "truncated";
  const kind = input.u8() & 0x0f;
  const size = input.u8();
  if (size > input.left) return "truncated";
  return { type: "extension", kind, bytes: input.view(size) };
}
