import type { Address, DatagramInfo, SendOutcome } from "./link.js";

/** Kinds of datagrams without session; PROTOCOL.md, section 15. */
export const SESSIONLESS_KIND = { announce: 1, query: 2, pair: 3 } as const;

/**
 * A body of a kind that is listened for has arrived whole (its CRC is right). Anyone can have sent it.
 * @param from - valid during the call, as is `body`
 */
export type SessionlessListener = (from: Address, body: Uint8Array, info: DatagramInfo) => void;

/** Datagrams without session of one kind. Get it from `Endpoint.sessionless`. */
export interface Sessionless {
  /** Largest body, bytes. */
  readonly bodyBytesMax: number;
  /** Where a body reaches everybody in range; left out when the link cannot broadcast. */
  readonly broadcastAddress?: Address;
  /**
   * Send a body once. Resolves with what the link says about it; `refused`: too many wait already (16).
   * @param body - copied before this returns
   * @throws {@link FardelError} `message-too-large`, `endpoint-closed`
   */
  send(to: Address, body: Uint8Array): Promise<SendOutcome>;
  /** Listen no more. */
  close(): void;
}
