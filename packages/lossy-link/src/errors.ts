/**
 * What went wrong, for programs to switch on.
 *
 * - `bad-number`: not a number, not finite, or outside the stated range
 * - `bad-integer`: not a whole number in the stated range (instants and durations are whole µs)
 * - `bad-probability`: not in 0..1
 * - `bad-interval`: an interval that is not `[fromUs, toUs]` with `fromUs < toUs`
 * - `bad-address`: not a `Uint8Array` of 1 to 255 bytes, or the broadcast address
 * - `bad-trace`: a loss trace that is empty or holds something else than 0 and 1
 * - `bad-choice`: not one of the stated words, or two options that exclude each other
 * - `unknown-option`: a field of that name does not exist
 * - `missing-option`: a field is needed and was left out
 * - `address-in-use`: a station with this address is attached already
 * - `already-open`: `open` was called a second time
 * - `closed`: the link was closed and cannot be used again
 * - `clock-running`: the virtual clock was started from inside its own run
 */
export type LossyLinkErrorCode =
  | "bad-number"
  | "bad-integer"
  | "bad-probability"
  | "bad-interval"
  | "bad-address"
  | "bad-trace"
  | "bad-choice"
  | "unknown-option"
  | "missing-option"
  | "address-in-use"
  | "already-open"
  | "closed"
  | "clock-running";

/** Where the blame lies, where a field is to blame. */
export interface LossyLinkErrorDetails {
  /** The option at fault, dotted where it is nested: `outgoing.corruption.probability`. */
  readonly field?: string;
  /** What would have been accepted, in words. */
  readonly allowed?: string;
}

/**
 * Misuse by the caller: an option out of range, or a call at the wrong moment. What befalls the
 * simulated datagrams is never an error; it shows in outcomes, statistics and observations.
 */
export class LossyLinkError extends Error {
  override readonly name = "LossyLinkError";
  /** Stable; the sentence in `message` is not. */
  readonly code: LossyLinkErrorCode;
  /** See {@link LossyLinkErrorDetails.field}. */
  readonly field: string | undefined;
  /** See {@link LossyLinkErrorDetails.allowed}. */
  readonly allowed: string | undefined;

  constructor(code: LossyLinkErrorCode, sentence: string, details: LossyLinkErrorDetails = {}) {
    super(sentence);
    this.code = code;
    this.field = details.field;
    this.allowed = details.allowed;
  }
}
