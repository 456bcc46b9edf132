/**
 * Why a pairing came to nothing, or a call was refused. Stable: programs may switch on it.
 *
 * - `no-answer`: nobody answered for ten seconds.
 * - `not-in-pairing-mode`, `busy`, `way-not-open`: the other side takes no pairing, not now, or not in this way.
 * - `wrong-proof`: the code was wrong, or somebody stands between the two sides.
 * - `refused-here`, `refused-there`: a person refused.
 * - `cancelled-there`: the other side gave up. `aborted`: this one did.
 * - `time-over`: it took too long.
 * - `exchange-unknown`: the other side restarted in between.
 * - `no-key`: there is no key to renew.
 * - `bad-claim-code`: what was typed is no claim code.
 * - `code-locked`: too many wrong claim codes in a row.
 * - `not-stored`: the key, or the count of wrong proofs, could not be stored.
 * - `ring-full`: the key ring holds as many addresses as it may.
 * - `mtu-too-small`: datagrams of the link are too small for pairing.
 * - `endpoint-closed`: the endpoint was closed.
 * - `invalid-option`: an option is not valid.
 */
export type PairingErrorCode =
  | "no-answer"
  | "not-in-pairing-mode"
  | "busy"
  | "way-not-open"
  | "wrong-proof"
  | "refused-here"
  | "refused-there"
  | "cancelled-there"
  | "aborted"
  | "time-over"
  | "exchange-unknown"
  | "no-key"
  | "bad-claim-code"
  | "code-locked"
  | "not-stored"
  | "ring-full"
  | "mtu-too-small"
  | "endpoint-closed"
  | "invalid-option";

/** What went wrong, in a sentence that says what to do. */
export class PairingError extends Error {
  override readonly name = "PairingError";

  /** By name, since a program may hold two copies of the package. */
  static override [Symbol.hasInstance](value: unknown): boolean {
    return value instanceof Error && value.name === "PairingError";
  }

  constructor(
    readonly code: PairingErrorCode,
    sentence: string,
    options?: { readonly cause: unknown },
  ) {
    super(sentence, options);
  }
}

/** An option is not valid. */
export function invalidOption(name: string, why: string): PairingError {
  return new PairingError("invalid-option", `Option ${name}: ${why}.`);
}
