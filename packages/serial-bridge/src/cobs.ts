/**
 * Consistent Overhead Byte Stuffing: bytes without any zero, at most one more in 254.
 *
 * @see S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
 * Networking 7(2), 1999
 */

/** Delimits frames: no stuffed byte is one. */
export const COBS_DELIMITER = 0;
/** Longest run of bytes behind one code byte. */
const RUN_MAX = 254;

/** Most bytes that `count` bytes can become. */
export function cobsBytesMax(count: number): number {
  return count + 1 + Math.floor(count / RUN_MAX);
}

/**
 * Stuffs `from` .. `to` of `bytes` into `out` at `at`, without a delimiter. A run of 254 at the very
 * end gets no empty group behind it; decoders accept both forms.
 * @returns offset behind the last byte written; `out` must have room for {@link cobsBytesMax}
 */
export function encodeCobs(
  bytes: Uint8Array,
  from: number,
  to: number,
  out: Uint8Array,
  at: number,
): number {
  let codeAt = at;
  let writeAt = at + 1;
  let code = 1;
  for (let index = from; index < to; index++) {
    const byte = bytes[index]!;
    if (byte !== 0) {
      out[writeAt++] = byte;
      code++;
      if (code <= RUN_MAX) continue;
      // A full group stands for no zero: if nothing follows, it is the last one.
      if (index === to - 1) break;
    }
    out[codeAt] = code;
    codeAt = writeAt++;
    code = 1;
  }
  out[codeAt] = code;
  return writeAt;
}

/**
 * Undoes {@link encodeCobs}: unstuffs `from` .. `to` of `bytes` into `out` at `at`. What comes out is
 * shorter than what goes in.
 * @returns offset behind the last byte written, or -1 if COBS makes no such bytes
 */
export function decodeCobs(
  bytes: Uint8Array,
  from: number,
  to: number,
  out: Uint8Array,
  at: number,
): number {
  if (from === to) return -1;
  let readAt = from;
  let writeAt = at;
  while (readAt < to) {
    const code = bytes[readAt++]!;
    const groupEnd = readAt + code - 1;
    if (code === 0 || groupEnd > to) return -1;
    while (readAt < groupEnd) {
      const byte = bytes[readAt++]!;
      if (byte === 0) return -1;
      out[writeAt++] = byte;
    }
    if (code <= RUN_MAX && readAt < to) out[writeAt++] = 0;
  }
  return writeAt;
}
