/**
 * Logarithms that come out the same, bit for bit, on every engine.
 *
 * ECMAScript leaves the last bits of `Math.log` and its kin to the implementation (ECMA-262, section
 * 21.3.2: "implementation-approximated"), and one bit is enough to make two runs of one seed part
 * ways. What follows uses only `+ - * /`, which ECMA-262 takes from IEEE 754 exactly.
 */

const LN_2 = 0.6931471805599453;
const LN_10 = 2.302585092994046;
const SQRT_HALF = 0.7071067811865476;

/**
 * Natural logarithm, within a few units of the last place.
 * @param x - finite and greater than 0
 */
export function naturalLog(x: number): number {
  // x = mantissa · 2^exponent with the mantissa between √½ and √2; scaling by 2 is exact.
  let mantissa = x;
  let exponent = 0;
  while (mantissa < SQRT_HALF) {
    mantissa *= 2;
    exponent--;
  }
  while (mantissa > 2 * SQRT_HALF) {
    mantissa /= 2;
    exponent++;
  }
  // ln m = 2 artanh((m − 1)/(m + 1)); |s| ≤ 0.172, so that the first term left out is below 2e-17.
  const s = (mantissa - 1) / (mantissa + 1);
  const square = s * s;
  let series = 0;
  for (let odd = 21; odd >= 1; odd -= 2) series = series * square + 1 / odd;
  return exponent * LN_2 + 2 * s * series;
}

/** Logarithm to base 10; see {@link naturalLog}. */
export function log10(x: number): number {
  return naturalLog(x) / LN_10;
}
