import type { Address, Clock, Link } from "@fardel/core";

/**
 * How a transfer ended for its sender: every fragment was acknowledged, one of them was not after so
 * many attempts, or everything was sent by a sender that expects no acks.
 */
export type SenderEnd = "acknowledged" | "given-up" | "sent";

/** One message, from here to there. The owner opens the link, and hands on what arrives. */
export interface SenderOptions {
  readonly link: Link;
  readonly clock: Clock;
  readonly to: Address;
  readonly bytes: Uint8Array;
  /**
   * How long a datagram keeps the air busy, µs, for a link whose outcome `sent` comes before it has
   * left: then it counts as having left when so long has passed. Left out: the link can be believed.
   */
  readonly airtimeUs?: (datagramBytes: number) => number;
  readonly onEnd: (end: SenderEnd) => void;
}

export interface Sender {
  /** Starts; called once. */
  start(): void;
  handleDatagram(datagram: Uint8Array): void;
  /** Sends nothing more, tells nothing more. */
  stop(): void;
}
