/**
 * Largest value that a `varint` may hold here: 2^53 - 1. RFC 9000 allows 62 bits; what does not fit
 * a double exactly is refused.
 */
export const VARINT_MAX: number = Number.MAX_SAFE_INTEGER;

/**
 * Bytes that a value takes as variable-length integer, in its shortest form: 1, 2, 4 or 8.
 *
 * @param value - 0..{@link VARINT_MAX}
 * @throws RangeError when the value is not a whole number in that range.
 * @see RFC 9000, section 16
 */
export function varintBytes(value: number): number {
  if (!(value >= 0 && value <= VARINT_MAX) || value % 1 !== 0) {
    throw new RangeError(`${value} cannot be sent as a varint: it must be an integer of 53 bits.`);
  }
  if (value < 0x40) return 1;
  if (value < 0x4000) return 2;
  if (value < 0x4000_0000) return 4;
  return 8;
}
