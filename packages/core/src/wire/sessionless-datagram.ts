import type { ByteWriter } from "./byte-writer.js";
import { CRC16_GOOD, CRC16_START, updateCrc16 } from "./crc16.js";

/** First byte of a datagram without session: version 1, form 2. */
const SESSIONLESS_HEAD = 0x60;
/** Bytes before the body: head, kind. */
export const SESSIONLESS_HEAD_BYTES = 2;
/** Bytes of such a datagram that are not its body: head, kind, CRC-16. */
export const SESSIONLESS_AROUND_BYTES = 4;

/**
 * Writes a datagram without session. PROTOCOL.md, section 15.
 * @param kind - `u8`
 */
export function encodeSessionless(out: ByteWriter, kind: number, body: Uint8Array): void {
  out.u8(SESSIONLESS_HEAD);
  out.u8(kind);
  out.raw(body);
  const crc = ~updateCrc16(CRC16_START, out.bytes, 0, out.at);
  out.u8(crc & 0xff);
  out.u8((crc >>> 8) & 0xff);
}

/** Whether its first byte says that a datagram belongs to no session. */
export function isSessionless(datagram: Uint8Array): boolean {
  return datagram[0] === SESSIONLESS_HEAD;
}

/** Whether a datagram without session arrived as it was sent. */
export function isSessionlessSound(datagram: Uint8Array): boolean {
  return (
    datagram.length >= SESSIONLESS_AROUND_BYTES &&
    updateCrc16(CRC16_START, datagram, 0, datagram.length) === CRC16_GOOD
  );
}
