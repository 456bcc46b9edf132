/**
 * - `not-msgpack`: bytes that are not exactly one MessagePack value which JavaScript can hold.
 * - `not-encodable`: a value that MessagePack would change or lose.
 */
export type ValueErrorCode = "not-msgpack" | "not-encodable";

/** Thrown by `decodeValue` and `encodeValue`. */
export class ValueError extends Error {
  override readonly name = "ValueError";
  /** Stable; switch on this, not on the message. */
  readonly code: ValueErrorCode;

  constructor(code: ValueErrorCode, message: string, options?: ErrorOptions) {
    super(message, options);
    this.code = code;
  }
}
