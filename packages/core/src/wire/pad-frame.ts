import type { ByteWriter } from "./byte-writer.js";
import { TYPE_PAD } from "./frame-type.js";

/**
 * Writes PAD frames: bytes without meaning that lengthen an opening. They decode to no frame.
 *
 * @param count - how many, one byte each; 0 or more
 */
export function encodePad(out: ByteWriter, count: number): void {
  for (let pad = 0; pad < count; pad++) out.u8(TYPE_PAD);
}
