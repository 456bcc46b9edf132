/**
 * - `port-not-found`, `port-busy`, `port-forbidden`, `port-failed`: the port could not be opened.
 * - `no-answer`: nobody on the line speaks the bridge protocol, at none of the bit rates tried; or a
 *   question to the bridge was not answered.
 * - `version-mismatch`: the bridge speaks only versions that this library does not.
 * - `bridge-changed`: another bridge has come, with a smaller datagram or other addresses.
 * - `channel-refused`: the bridge did not set the radio channel.
 * - `link-down`: the bridge cannot be reached now. `link-closed`: closed here.
 * - `aborted`: by the signal that was given.
 * - `invalid-option`: an option is out of its range.
 */
export type SerialBridgeErrorCode =
  | "port-not-found"
  | "port-busy"
  | "port-forbidden"
  | "port-failed"
  | "no-answer"
  | "version-mismatch"
  | "bridge-changed"
  | "channel-refused"
  | "link-down"
  | "link-closed"
  | "aborted"
  | "invalid-option";

/** What failed, in a sentence that says what to do. */
export class SerialBridgeError extends Error {
  override readonly name = "SerialBridgeError";

  /**
   * By name, since in CommonJS each entry of the package is a bundle with a class of its own, and a
   * program may hold two copies of the package.
   */
  static override [Symbol.hasInstance](value: unknown): boolean {
    return value instanceof Error && value.name === "SerialBridgeError";
  }

  constructor(
    readonly code: SerialBridgeErrorCode,
    sentence: string,
    options?: { readonly cause: unknown },
  ) {
    super(sentence, options);
  }
}
