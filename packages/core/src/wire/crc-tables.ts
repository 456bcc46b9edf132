/** What tells one cyclic redundancy code from another, as far as its tables are concerned. */
export interface CrcShape {
  /** Bits in the register, 8..32. */
  readonly width: number;
  /** Generator polynomial, highest power first and left out (for instance 0x1021). */
  readonly polynomial: number;
  /** Whether bytes enter least significant bit first (and the register runs mirrored). */
  readonly reflected: boolean;
}

/**
 * Tables that move a CRC register on by whole bytes.
 *
 * Entry `256 * k + b` is what byte `b` contributes to the register after `k` further bytes have
 * passed: with `slices` tables in hand, that many bytes are done in one step (M. Kounavis, F. Berry,
 * "Novel Table Lookup-Based Algorithms for High-Performance CRC Generation", IEEE Transactions on
 * Computers 57(11), 2008; citation from memory).
 *
 * @param shape - the code
 * @param slices - number of tables of 256 entries, at least 1
 */
export function buildCrcTables(shape: CrcShape, slices: number): Uint32Array {
  const tables = new Uint32Array(256 * slices);
  for (let byte = 0; byte < 256; byte++) {
    tables[byte] = shape.reflected ? reflectedEntry(shape, byte) : plainEntry(shape, byte);
  }
  for (let at = 256; at < tables.length; at++) {
    const before = tables[at - 256]!;
    tables[at] = shape.reflected
      ? (before >>> 8) ^ tables[before & 0xff]!
      : keepWidth(shape, before << 8) ^ tables[before >>> (shape.width - 8)]!;
  }
  return tables;
}

function reflectedEntry(shape: CrcShape, byte: number): number {
  const polynomial = mirrorBits(shape.polynomial, shape.width);
  let register = byte;
  for (let bit = 0; bit < 8; bit++) {
    register = (register >>> 1) ^ (register & 1 ? polynomial : 0);
  }
  return register;
}

function plainEntry(shape: CrcShape, byte: number): number {
  const top = shape.width - 1;
  let register = byte << (shape.width - 8);
  for (let bit = 0; bit < 8; bit++) {
    register = (register << 1) ^ ((register >>> top) & 1 ? shape.polynomial : 0);
  }
  return keepWidth(shape, register);
}

function keepWidth(shape: CrcShape, register: number): number {
  return shape.width === 32 ? register >>> 0 : register & (2 ** shape.width - 1);
}

function mirrorBits(value: number, width: number): number {
  let mirrored = 0;
  for (let bit = 0; bit < width; bit++) mirrored = (mirrored << 1) | ((value >>> bit) & 1);
  return mirrored;
}
