/**
 * Arithmetic on numbers that wrap around (RFC 1982). Fragment numbers, and the low halves of datagram
 * numbers, are serial numbers of 16 bits.
 */

/**
 * Whether `a` was issued after `b`, across wrap-around, with SERIAL_BITS = 16.
 *
 * @param a - serial number, 0..65535
 * @param b - serial number, 0..65535
 * @returns `false` if equal, or exactly 32768 apart (undefined in RFC 1982).
 * @see RFC 1982, section 3.2
 */
export function serialAfter(a: number, b: number): boolean {
  const distance = (a - b) & 0xffff;
  return distance !== 0 && distance < 0x8000;
}

/**
 * How many steps lead from `from` to `to`, going up and wrapping: (to - from) mod 65536.
 *
 * @param from - serial number, 0..65535
 * @param to - serial number, 0..65535
 * @returns 0..65535; a `to` issued shortly before `from` gives a large distance, not a negative one.
 */
export function serialDistance(from: number, to: number): number {
  return (to - from) & 0xffff;
}

/**
 * The serial number `n` steps after `a`: (a + n) mod 65536.
 *
 * @param a - serial number, 0..65535
 * @param n - steps; RFC 1982, section 3.1 allows 0..32767. Negative steps go back.
 */
export function serialAdd(a: number, n: number): number {
  return (a + n) & 0xffff;
}

/**
 * Order of two serial numbers of any width.
 *
 * @param a - serial number, 0..2^bits - 1
 * @param b - serial number, 0..2^bits - 1
 * @param bits - SERIAL_BITS, 2..31
 * @returns 1 if `a` was issued after `b`, -1 if before, 0 if they are equal, `undefined` if they are
 *   exactly half the range apart.
 * @see RFC 1982, section 3.2
 */
export function compareSerial(a: number, b: number, bits: number): -1 | 0 | 1 | undefined {
  const half = 2 ** (bits - 1);
  const distance = (a - b) & (2 ** bits - 1);
  if (distance === half) return undefined;
  if (distance === 0) return 0;
  return distance < half ? 1 : -1;
}

/**
 * The serial number `n` steps after `a`, for any width.
 *
 * @param a - serial number, 0..2^bits - 1
 * @param n - steps, 0..2^(bits - 1) - 1
 * @param bits - SERIAL_BITS, 2..31
 * @throws RangeError when `n` is beyond what RFC 1982, section 3.1 defines.
 */
export function addSerial(a: number, n: number, bits: number): number {
  if (!Number.isInteger(n) || n < 0 || n >= 2 ** (bits - 1)) {
    throw new RangeError(`${n} steps cannot be added to a serial number of ${bits} bits.`);
  }
  return (a + n) & (2 ** bits - 1);
}
