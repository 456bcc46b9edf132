/** What can go wrong when the page is to be served. */
export type LabServerErrorCode =
  /** The page was not built, or its file cannot be read. */
  | "page-missing"
  /** Another program has the port. */
  | "port-taken"
  /** The system does not let this account listen there. */
  | "port-forbidden"
  /** This computer has no such address. */
  | "no-such-address"
  /** It could not listen for another reason. */
  | "not-listening"
  | "invalid-option";

/** An error of {@link serveLab}: its sentence says what to do next. */
export class LabServerError extends Error {
  override readonly name = "LabServerError";

  constructor(
    readonly code: LabServerErrorCode,
    sentence: string,
    cause?: unknown,
  ) {
    super(sentence, cause === undefined ? undefined : { cause });
  }
}
