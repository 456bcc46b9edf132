import type { Inbox } from "./inbox.js";
import type { Way } from "./protocol/channels.js";
import type { Receipt, RemotePeer } from "./remote-peer.js";

/** A whole message that has arrived. */
export interface Message {
  readonly peer: RemotePeer;
  readonly bytes: Uint8Array;
  readonly way: Way;
  /** Number of the channel within its way. */
  readonly channel: number;
}

/** A message whose sender waits for a reply. */
export interface Request {
  readonly peer: RemotePeer;
  readonly bytes: Uint8Array;
  /**
   * Answer it. Resolves when the asking endpoint holds the reply.
   * @throws {@link FardelError} `peer-restarted` if the session of the request is over
   */
  reply(bytes: Uint8Array): Promise<Receipt>;
  /** Answer that it cannot be done: the asker gets `request-failed` with this text. */
  fail(text: string): Promise<Receipt>;
}

/**
 * A message that is handed over while it arrives, for what is larger than memory. Iterate over it
 * to read; what is not read closes the window, and the sender waits. Iteration fails with a
 * {@link FardelError} if the rest will not come; what was read before is then not a whole message.
 */
export class IncomingStream implements AsyncIterable<Uint8Array> {
  constructor(
    readonly peer: RemotePeer,
    readonly way: Way,
    /** Number of the channel within its way. */
    readonly channel: number,
    /** Length of the whole, bytes, if the sender told it. */
    readonly totalBytes: number | undefined,
    readonly inbox: Inbox<Uint8Array>,
    readonly onCancel: () => void,
  ) {}

  [Symbol.asyncIterator](): AsyncIterator<Uint8Array> {
    const reader = this.inbox.read();
    return {
      next: () => reader.next(),
      // Leaving the loop early means that the rest is not wanted.
      return: async () => {
        await reader.return?.();
        this.cancel();
        return { done: true, value: undefined };
      },
    };
  }

  /** The rest is not wanted: the sender is told and stops (`refused-by-peer`). */
  cancel(): void {
    this.inbox.discard();
    this.onCancel();
  }
}
