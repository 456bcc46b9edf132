/**
 * What went wrong, for programs to switch on.
 *
 * - `invalid-option`: an option is out of its range, missing, or there is none of that name
 * - `bad-address`: not an IP address and a port
 * - `host-not-found`: the name of a host has no address
 * - `address-in-use`: another program has that port
 * - `address-not-available`: this computer does not have that address
 * - `not-permitted`: this account may not use that port
 * - `bind-failed`: the system refused for another reason; `cause` has its error
 * - `aborted`: by the signal that was given
 * - `already-open`, `closed`: `open` was called a second time, or after `close`
 */
export type UdpLinkErrorCode =
  | "invalid-option"
  | "bad-address"
  | "host-not-found"
  | "address-in-use"
  | "address-not-available"
  | "not-permitted"
  | "bind-failed"
  | "aborted"
  | "already-open"
  | "closed";

/** What failed, in a sentence that says what to do. What befalls datagrams is never an error. */
export class UdpLinkError extends Error {
  override readonly name = "UdpLinkError";

  constructor(
    /** Stable; the sentence in `message` is not. */
    readonly code: UdpLinkErrorCode,
    sentence: string,
    options?: { readonly cause: unknown },
  ) {
    super(sentence, options);
  }
}
