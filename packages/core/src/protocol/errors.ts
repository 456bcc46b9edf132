/** Why something failed. Stable: programs may switch on it. */
export type FardelErrorCode =
  | "aborted"
  | "damaged"
  | "deadline-passed"
  | "endpoint-closed"
  | "invalid-option"
  | "link-failed"
  | "message-too-large"
  | "not-answered"
  | "peer-closed"
  | "peer-restarted"
  | "peer-revoked"
  | "peer-unreachable"
  | "queue-full"
  | "refused-by-peer"
  | "request-failed"
  | "sender-gave-up";

/**
 * Whether a message that failed may have reached the peer all the same: `none` if some part of it
 * was never sent, `unknown` otherwise.
 */
export type Delivery = "none" | "unknown";

/** The one error class of this package: a stable code, a plain sentence, what to do next. */
export class FardelError extends Error {
  override readonly name = "FardelError";
  readonly code: FardelErrorCode;
  /** Set when the error ends a message. */
  readonly delivery?: Delivery;

  constructor(code: FardelErrorCode, sentence: string, delivery?: Delivery) {
    super(sentence);
    this.code = code;
    if (delivery) this.delivery = delivery;
  }
}
