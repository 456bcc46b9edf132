/** Why the store of paired boards could not be used. Stable: programs may switch on it. */
export type StoreErrorCode =
  | "store-damaged"
  | "store-unreadable"
  | "store-unwritable"
  | "store-busy"
  | "unknown-peer"
  | "ambiguous-name"
  | "name-taken"
  | "bad-value";

/** What went wrong with the store, in a plain sentence, and what to do next. */
export class StoreError extends Error {
  override readonly name = "StoreError";

  constructor(
    readonly code: StoreErrorCode,
    sentence: string,
    options?: ErrorOptions,
  ) {
    super(sentence, options);
  }
}
