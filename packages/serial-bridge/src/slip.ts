/**
 * Escaping of SLIP: bytes without any END.
 *
 * @see RFC 1055
 */

/** Delimits frames: no escaped byte is one. */
export const SLIP_END = 0xc0;
const ESC = 0xdb;
const ESC_END = 0xdc;
const ESC_ESC = 0xdd;

/** Most bytes that `count` bytes can become. */
export function slipBytesMax(count: number): number {
  return 2 * count;
}

/**
 * Escapes `from` .. `to` of `bytes` into `out` at `at`, without END.
 * @returns offset behind the last byte written; `out` must have room for {@link slipBytesMax}
 */
export function encodeSlip(
  bytes: Uint8Array,
  from: number,
  to: number,
  out: Uint8Array,
  at: number,
): number {
  let writeAt = at;
  for (let index = from; index < to; index++) {
    const byte = bytes[index]!;
    if (byte === SLIP_END || byte === ESC) {
      out[writeAt++] = ESC;
      out[writeAt++] = byte === SLIP_END ? ESC_END : ESC_ESC;
    } else {
      out[writeAt++] = byte;
    }
  }
  return writeAt;
}

/**
 * Undoes {@link encodeSlip}: `from` .. `to` of `bytes` into `out` at `at`. What comes out is never
 * longer than what goes in. RFC 1055 would let other bytes behind ESC through; here a CRC follows, so
 * they only show damage a little earlier.
 * @returns offset behind the last byte written, or -1 for END and for an ESC before any other byte
 */
export function decodeSlip(
  bytes: Uint8Array,
  from: number,
  to: number,
  out: Uint8Array,
  at: number,
): number {
  let writeAt = at;
  for (let readAt = from; readAt < to; readAt++) {
    const byte = bytes[readAt]!;
    if (byte === SLIP_END) return -1;
    if (byte !== ESC) {
      out[writeAt++] = byte;
      continue;
    }
    readAt++;
    const escaped = readAt < to ? bytes[readAt] : undefined;
    if (escaped === ESC_END) out[writeAt++] = SLIP_END;
    else if (escaped === ESC_ESC) out[writeAt++] = ESC;
    else return -1;
  }
  return writeAt;
}
