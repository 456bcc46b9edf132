import { READ_PAST_END } from "./byte-reader.js";

/**
 * Why received bytes were refused. Faults of the sender, or of the air, never throw.
 *
 * - `too-short`: shorter than its head and the CRC.
 * - `other-version`: the version in the head is not 1.
 * - `unknown-form`: form 2 (without session) or 3 (reserved).
 * - `protected`: bit P is set; this version has no keys.
 * - `reserved-bit`: bit 2 of the head is set.
 * - `unknown-frame`: a frame of a type that version 1 does not define.
 * - `truncated`: a frame ends behind the datagram.
 * - `bad-value`: a field holds what no correct sender writes there.
 */
export type DecodeFault =
  | "too-short"
  | "other-version"
  | "unknown-form"
  | "protected"
  | "reserved-bit"
  | "unknown-frame"
  | "truncated"
  | "bad-value";

/** What a decoder made of some bytes: the value, or why there is none. */
export type Decoded<T> =
  | { readonly ok: true; readonly value: T }
  | { readonly ok: false; readonly fault: DecodeFault };

/** The fault that a negative result of {@link ByteReader.varint} stands for. */
export function readFault(result: number): DecodeFault {
  return result === READ_PAST_END ? "truncated" : "bad-value";
}
