/**
 * The shape of the vectors, and what is needed to write them down: nothing here is taken from the
 * sources that they check. PROTOCOL.md is the only model.
 */

/** A decoded frame as JSON: bytes, and `u32` values that are no counts, in hexadecimal. */
export type FrameJson = { readonly type: string } & Readonly<
  Record<string, string | number | boolean>
>;

export type HeadJson =
  | { readonly form: "short"; readonly ask: number; readonly numberLow: number }
  | {
      readonly form: "long";
      readonly ask: number;
      readonly tokenFrom: string;
      readonly tokenTo: string;
      readonly number: string;
    };

/** What every datagram vector says about itself. */
export interface DatagramVector {
  readonly name: string;
  /** Section of PROTOCOL.md. */
  readonly section: string;
  /** The whole datagram, CRC included. */
  readonly hex: string;
  readonly meaning: string;
  /** Receiver's token, 8 hexadecimal digits; all zero: not known to the sender. */
  readonly tokenTo: string;
  /** Sender's token. */
  readonly tokenFrom: string;
  /** Complete datagram number. */
  readonly number: string;
}

/** A datagram that is taken. */
export interface AcceptedVector extends DatagramVector {
  /** Whether an encoder writes exactly these bytes for what was decoded. */
  readonly canonical: boolean;
  readonly head: HeadJson;
  readonly frames: readonly FrameJson[];
}

/**
 * A datagram that is dropped, and where: by its head, by the CRC, by its frames (head and CRC are
 * good then), or because head and frames do not go together (all three are good then).
 */
export interface RefusedVector extends DatagramVector {
  readonly refusedBy: "head" | "crc" | "frames" | "rule";
  /** The decoder's fault for `head` and `frames`; empty otherwise. */
  readonly fault: string;
}

/** The session of most vectors. Its tokens are invented. */
export const RECEIVER = "0f1e2d3c";
export const SENDER = "a1b2c3d4";
export const UNKNOWN = "00000000";

/** Hexadecimal without the blanks and bars that part the fields. */
export function plain(hex: string): string {
  const digits = hex.replaceAll(/[\s|]/g, "");
  if (!/^([0-9a-f]{2})*$/.test(digits)) throw new Error(`No whole bytes: ${hex}`);
  return digits;
}

export function bytesOf(hex: string): number[] {
  return (plain(hex).match(/../g) ?? []).map((pair) => Number.parseInt(pair, 16));
}

/** Adds the CRC-16 of section 2.4, computed bit by bit from its definition in RFC 1662. */
export function sealed(hex: string, tokenTo: string, tokenFrom: string, number: string): string {
  const isLong = ((bytesOf(hex)[0] ?? 0) & 0x30) === 0x10;
  const unsent = isLong ? "" : `${tokenTo}${tokenFrom}${number.slice(0, 4)}0000`;
  const crc = crc16(bytesOf(unsent + plain(hex)));
  return plain(hex) + hexOf([crc & 0xff, crc >> 8]);
}

export function crc16(bytes: readonly number[]): number {
  let register = 0xffff;
  for (const byte of bytes) {
    for (let bit = 0; bit < 8; bit++) {
      const carry = (register ^ (byte >> bit)) & 1;
      register = (register >> 1) ^ (carry === 1 ? 0x8408 : 0);
    }
  }
  return register ^ 0xffff;
}

export function crc32(bytes: readonly number[]): number {
  let register = 0xffffffff;
  for (const byte of bytes) {
    for (let bit = 0; bit < 8; bit++) {
      const carry = (register ^ (byte >> bit)) & 1;
      register = (register >>> 1) ^ (carry === 1 ? 0xedb88320 : 0);
    }
  }
  return ~register >>> 0;
}

export function hexOf(bytes: readonly number[]): string {
  return bytes.map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
