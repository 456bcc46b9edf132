import type { Way } from "./channels.js";

/** What is known about a message when its first fragment arrives. */
export interface MessageHead {
  readonly address: Uint8Array;
  readonly way: Way;
  /** Number within its way. */
  readonly channel: number;
  /** Length of the whole message, bytes; `undefined` if the sender did not tell. */
  readonly totalBytes: number | undefined;
}
