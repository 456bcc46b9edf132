import { CRC16_START, updateCrc16 } from "@fardel/core/wire";

/**
 * Datagrams that were never on the air: they bring a replaying endpoint to where the recorded one
 * brought itself by sending. Long form, nothing asked for, as PROTOCOL.md, sections 2.2 and 2.4.
 */

const LONG_HEAD = 0x50;
const LONG_HEAD_BYTES = 13;
const CRC_BYTES = 2;
const CLOSE = 0x50;
const REASON_DONE = 0;
/** Greater than all that a session uses: it cannot be taken for a repeat. */
const LAST_NUMBER = 0xffff_ffff;

/** An opening without frames, from a token that nobody has: it makes the endpoint draw its own. */
export function standInOpening(tokenFrom: number): Uint8Array {
  return longDatagram(tokenFrom, 0, tokenFrom >>> 16, []);
}

/** CLOSE from the peer: the session ends here because the recorded side ended it. */
export function standInClose(tokenFrom: number, tokenTo: number): Uint8Array {
  return longDatagram(tokenFrom, tokenTo, LAST_NUMBER, [CLOSE, REASON_DONE]);
}

/** A long datagram, sealed. @param frames - their bytes */
export function longDatagram(
  tokenFrom: number,
  tokenTo: number,
  number: number,
  frames: readonly number[],
): Uint8Array {
  const bytes = new Uint8Array(LONG_HEAD_BYTES + frames.length + CRC_BYTES);
  const view = new DataView(bytes.buffer);
  const end = LONG_HEAD_BYTES + frames.length;
  view.setUint8(0, LONG_HEAD);
  view.setUint32(1, tokenFrom);
  view.setUint32(5, tokenTo);
  view.setUint32(9, number);
  bytes.set(frames, LONG_HEAD_BYTES);
  view.setUint16(end, ~updateCrc16(CRC16_START, bytes, 0, end), true);
  return bytes;
}
