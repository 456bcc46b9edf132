import { CRC16_START, updateCrc16 } from "@fardel/core/wire";
import { CRC_BYTES, type Framing, STUFFINGS } from "./framing.js";

/** How a body becomes a frame. */
export interface FrameBytesOptions {
  readonly framing: Framing;
  /** When nothing else was waiting to be sent: ends the noise of the pause. */
  readonly leadingDelimiter: boolean;
  /** Implied address of a short frame: it enters the CRC before the body. */
  readonly seed?: Uint8Array | undefined;
}

/**
 * A body as it goes on the line: with its CRC, stuffed and delimited.
 *
 * @param body - at least one byte
 * @see BRIDGE.md, section 2
 */
export function frameBytes(body: Uint8Array, options: FrameBytesOptions): Uint8Array {
  const { framing, leadingDelimiter, seed } = options;
  const { delimiter, bytesMax, encode } = STUFFINGS[framing];
  const start = seed ? updateCrc16(CRC16_START, seed, 0, seed.length) : CRC16_START;
  const crc = ~updateCrc16(start, body, 0, body.length);
  const plain = new Uint8Array(body.length + CRC_BYTES);
  plain.set(body);
  plain[body.length] = crc & 0xff;
  plain[body.length + 1] = (crc >> 8) & 0xff;
  const out = new Uint8Array(bytesMax(plain.length) + 2);
  let at = 0;
  if (leadingDelimiter) out[at++] = delimiter;
  at = encode(plain, 0, plain.length, out, at);
  out[at++] = delimiter;
  return out.subarray(0, at);
}
