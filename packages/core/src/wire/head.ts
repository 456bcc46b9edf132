import type { ByteWriter } from "./byte-writer.js";
import type { Decoded, DecodeFault } from "./decoded.js";

/** Whether the sender of a datagram wants an ack, and when. PROTOCOL.md, sections 2 and 6. */
export const ASK = { none: 0, now: 1, next: 2, afterNext: 3 } as const;

/** One of the values of {@link ASK}. */
export type Ask = 0 | 1 | 2 | 3;

/** The protocol version that this code speaks. */
export const VERSION = 1;

/** Bytes before the frames in a datagram of the short form. */
export const SHORT_HEAD_BYTES = 3;

/** Bytes before the frames in a datagram of the long form. */
export const LONG_HEAD_BYTES = 13;

/** Bytes before the frames in a protected datagram of the long form. */
export const PROTECTED_LONG_HEAD_BYTES = 25;

/** Bytes behind the frames. */
export const CRC_BYTES = 2;

/** Bytes behind the frames of a protected datagram. */
export const TAG_BYTES = 8;

/** What stands before the frames of a datagram. */
export type Head =
  | {
      readonly form: "short";
      readonly ask: Ask;
      /** Low 16 bits of the datagram number; section 2.3 completes it. */
      readonly numberLow: number;
      readonly headBytes: 3;
    }
  | {
      readonly form: "long";
      readonly ask: Ask;
      /** The sender's token, `u32`; 0 is legal only with NO-SESSION. */
      readonly tokenFrom: number;
      /** The receiver's token, `u32`; 0: not known to the sender. */
      readonly tokenTo: number;
      /** Complete datagram number, `u32`. */
      readonly number: number;
      /** Of a protected datagram: the sender's salt, 12 bytes, a view of the datagram. */
      readonly salt?: Uint8Array;
      readonly headBytes: 13 | 25;
    };

const VERSION_BITS = VERSION << 6;
const VERSION_MASK = 0xc0;
const FORM_MASK = 0x30;
const FORM_SHORT = 0x00;
const FORM_LONG = 0x10;
const PROTECTED_BIT = 0x08;
const RESERVED_BIT = 0x04;
const ASK_MASK = 0x03;

/**
 * Writes the head of a datagram inside a session.
 *
 * @param ask - whether an ack is wanted
 * @param number - complete datagram number, `u32`; its low half is written
 * @param isProtected - it will end with a tag instead of a CRC
 */
export function encodeShortHead(
  out: ByteWriter,
  ask: Ask,
  number: number,
  isProtected = false,
): void {
  out.u8(VERSION_BITS | FORM_SHORT | (isProtected ? PROTECTED_BIT : 0) | ask);
  out.u16(number & 0xffff);
}

/**
 * Writes the head of a datagram that opens a session, or that names both tokens again.
 *
 * @param ask - whether an ack is wanted
 * @param tokenFrom - our token, `u32`
 * @param tokenTo - the peer's token, `u32`; 0 if unknown
 * @param number - complete datagram number, `u32`
 * @param salt - our salt, if it is protected: it will end with a tag instead of a CRC
 */
export function encodeLongHead(
  out: ByteWriter,
  ask: Ask,
  tokenFrom: number,
  tokenTo: number,
  number: number,
  salt?: Uint8Array,
): void {
  out.u8(VERSION_BITS | FORM_LONG | (salt ? PROTECTED_BIT : 0) | ask);
  out.u32(tokenFrom);
  out.u32(tokenTo);
  out.u32(number);
  if (salt) out.raw(salt);
}

/**
 * Reads the head of a datagram and checks that a CRC can stand behind it.
 *
 * The CRC itself is not checked: for the short form the tokens must be known first.
 */
export function decodeHead(datagram: Uint8Array): Decoded<Head> {
  const first = datagram[0];
  if (first === undefined) return { ok: false, fault: "too-short" };
  const fault = headFault(first);
  if (fault !== undefined) return { ok: false, fault };
  return readHead(datagram, first, CRC_BYTES);
}

/** Whether the first byte is that of a protected datagram of this version. PROTOCOL.md, section 17. */
export function isProtected(datagram: Uint8Array): boolean {
  const first = datagram[0] ?? 0;
  return (first & PROTECTED_BIT) !== 0 && headFault(first & ~PROTECTED_BIT) === undefined;
}

/** Reads the head of a datagram that {@link isProtected}, and checks that a tag can stand behind it. */
export function decodeProtectedHead(datagram: Uint8Array): Decoded<Head> {
  return readHead(datagram, datagram[0]!, TAG_BYTES);
}

function readHead(datagram: Uint8Array, first: number, tailBytes: number): Decoded<Head> {
  const ask = (first & ASK_MASK) as Ask;
  if ((first & FORM_MASK) === FORM_SHORT) {
    if (datagram.length < SHORT_HEAD_BYTES + tailBytes) return { ok: false, fault: "too-short" };
    const numberLow = (datagram[1]! << 8) | datagram[2]!;
    return { ok: true, value: { form: "short", ask, numberLow, headBytes: SHORT_HEAD_BYTES } };
  }
  const hasSalt = (first & PROTECTED_BIT) !== 0;
  const headBytes = hasSalt ? PROTECTED_LONG_HEAD_BYTES : LONG_HEAD_BYTES;
  if (datagram.length < headBytes + tailBytes) return { ok: false, fault: "too-short" };
  return {
    ok: true,
    value: {
      form: "long",
      ask,
      tokenFrom: u32At(datagram, 1),
      tokenTo: u32At(datagram, 5),
      number: u32At(datagram, 9),
      ...(hasSalt && { salt: datagram.subarray(LONG_HEAD_BYTES, PROTECTED_LONG_HEAD_BYTES) }),
      headBytes,
    },
  };
}

/** What the first byte alone forbids. The version comes first: it decides what the rest means. */
function headFault(first: number): DecodeFault | undefined {
  if ((first & VERSION_MASK) !== VERSION_BITS) return "other-version";
  if ((first & FORM_MASK) > FORM_LONG) return "unknown-form";
  if (first & PROTECTED_BIT) return "protected";
  if (first & RESERVED_BIT) return "reserved-bit";
  return undefined;
}

function u32At(bytes: Uint8Array, at: number): number {
  return (
    ((bytes[at]! << 24) | (bytes[at + 1]! << 16) | (bytes[at + 2]! << 8) | bytes[at + 3]!) >>> 0
  );
}

/**
 * Changes the ask bits of a datagram that is written but not sealed yet: whether it is the last
 * before an ack is known only when nothing more follows.
 *
 * @param datagramBytes - the datagram, from its head byte on
 */
export function patchAsk(datagramBytes: Uint8Array, ask: Ask): void {
  datagramBytes[0] = (datagramBytes[0]! & ~ASK_MASK) | ask;
}

/** Whether the head says that both tokens and the whole number are in the datagram. */
export function isLongForm(datagramBytes: Uint8Array): boolean {
  return (datagramBytes[0]! & FORM_MASK) === FORM_LONG;
}
