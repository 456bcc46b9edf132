/**
 * - `invalid-capture`: what was to be written breaks a limit of the format; nothing was written.
 * - `not-a-capture`: the bytes are no pcapng, or hold no link of ours.
 */
export type CaptureErrorCode = "invalid-capture" | "not-a-capture";

/** Something is wrong with a capture; the sentence says what to do. */
export class CaptureError extends Error {
  override readonly name = "CaptureError";

  constructor(
    readonly code: CaptureErrorCode,
    message: string,
  ) {
    super(message);
  }
}
