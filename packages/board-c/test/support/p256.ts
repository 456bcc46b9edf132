/** A point of P-256; `undefined`: the identity. */
export type Point = { readonly x: bigint; readonly y: bigint } | undefined;

/** FIPS 186-4, D.1.2.3: the field, and the coefficients of the curve. */
const P = 2n ** 256n - 2n ** 224n + 2n ** 192n + 2n ** 96n - 1n;
const B = 0x5ac635d8aa3a93e7b3ebbd55769886bc651d06b0cc53b0f63bce3c3e27d2604bn;
const COORDINATE_BYTES = 32;

export const BASE: Point = {
  x: 0x6b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c296n,
  y: 0x4fe342e2fe1a7f9b8ee7eb4a7c0f9e162bce33576b315ececbb6406837bf51f5n,
};
/** M and N of RFC 9382, section 4: there they are compressed. */
export const M = decompressed("02886e2f97ace46e55ba9dd7242579f2993b64e16ef3dcab95afd497333d8fa12f");
export const N = decompressed("03d8bbd6c639c62937b04d997f38c3770719c629d7014d49a24b4f98baa1292b49");

/*
 * P-256 by the textbook, for tests alone: written apart from any library, so that each checks the other. It hides
 * nothing from whoever takes the time.
 */

export function add(one: Point, other: Point): Point {
  if (!one || !other) return one ?? other;
  if (one.x === other.x && modulo(one.y + other.y) === 0n) return undefined;
  const slope =
    one.x === other.x
      ? (3n * one.x * one.x - 3n) * inverse(2n * one.y)
      : (other.y - one.y) * inverse(other.x - one.x);
  const x = modulo(slope * slope - one.x - other.x);
  return { x, y: modulo(slope * (one.x - x) - one.y) };
}

export function negative(point: Point): Point {
  return point && { x: point.x, y: modulo(-point.y) };
}

export function multiply(scalar: bigint, point: Point): Point {
  let sum: Point;
  for (const bit of scalar.toString(2)) {
    sum = add(sum, sum);
    if (bit === "1") sum = add(sum, point);
  }
  return sum;
}

/** A point of 65 bytes. @returns `undefined` if it is none */
export function pointOf(bytes: Uint8Array): Point {
  if (bytes[0] !== 4 || bytes.length !== 1 + 2 * COORDINATE_BYTES) return undefined;
  const x = numberOf(bytes.subarray(1, 1 + COORDINATE_BYTES));
  const y = numberOf(bytes.subarray(1 + COORDINATE_BYTES));
  return x < P && y < P && modulo(y * y - squareOfY(x)) === 0n ? { x, y } : undefined;
}

/** @throws Error for the identity, which has no such form */
export function bytesOfPoint(point: Point): Uint8Array {
  if (!point) throw new Error("The identity has no coordinates.");
  const hex = [point.x, point.y].map((value) => value.toString(16).padStart(64, "0")).join("");
  return Uint8Array.from(Buffer.from(`04${hex}`, "hex"));
}

/** Most significant byte first. */
export function numberOf(bytes: Uint8Array): bigint {
  return BigInt(`0x${Buffer.from(bytes).toString("hex")}`);
}

function decompressed(hex: string): Point {
  const x = BigInt(`0x${hex.slice(2)}`);
  const root = power(squareOfY(x), (P + 1n) / 4n);
  return { x, y: (root & 1n) === BigInt(hex[1] === "3" ? 1 : 0) ? root : P - root };
}

function squareOfY(x: bigint): bigint {
  return modulo(x * x * x - 3n * x + B);
}

function modulo(value: bigint): bigint {
  const rest = value % P;
  return rest < 0n ? rest + P : rest;
}

/** By the extended Euclidean algorithm. */
function inverse(value: bigint): bigint {
  let [a, b, x, y] = [modulo(value), P, 1n, 0n];
  while (a > 1n) {
    const quotient = b / a;
    [a, b] = [b % a, a];
    [x, y] = [y - quotient * x, x];
  }
  return modulo(x);
}

function power(base: bigint, exponent: bigint): bigint {
  let result = 1n;
  for (const bit of exponent.toString(2)) {
    result = modulo(result * result);
    if (bit === "1") result = modulo(result * base);
  }
  return result;
}
