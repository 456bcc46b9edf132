import { COBS_DELIMITER, cobsBytesMax, decodeCobs, encodeCobs } from "./cobs.js";
import { decodeSlip, encodeSlip, SLIP_END, slipBytesMax } from "./slip.js";

/** How frames are delimited: `cobs`, or `slip` if both sides are set to it. */
export type Framing = "cobs" | "slip";

/** From bytes to bytes: `from` .. `to` of the first into the second at `at`. */
type Recode = (bytes: Uint8Array, from: number, to: number, out: Uint8Array, at: number) => number;

/** Bytes of the CRC-16 behind a body. @see BRIDGE.md, section 2 */
export const CRC_BYTES = 2;

/** What differs between the two ways of framing. */
export interface Stuffing {
  readonly delimiter: number;
  /** Most bytes that so many can become. */
  readonly bytesMax: (count: number) => number;
  readonly encode: Recode;
  /** -1: cannot be unstuffed. */
  readonly decode: Recode;
}

export const STUFFINGS: Readonly<Record<Framing, Stuffing>> = {
  cobs: {
    delimiter: COBS_DELIMITER,
    bytesMax: cobsBytesMax,
    encode: encodeCobs,
    decode: decodeCobs,
  },
  slip: { delimiter: SLIP_END, bytesMax: slipBytesMax, encode: encodeSlip, decode: decodeSlip },
};
