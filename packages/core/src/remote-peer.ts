import type { Address } from "./link.js";
import type { PeerReport } from "./report.js";
import type { DeliveryOptions, SendOptions } from "./send-options.js";

/** What became of a message that did not fail. */
export interface Receipt {
  /**
   * `delivered`: the peer's endpoint holds it whole; whether its application has read it, only a
   * reply tells. `replaced`: a newer value took its place. `sent`: it has left (unacknowledged).
   */
  readonly outcome: "delivered" | "replaced" | "sent";
  readonly bytes: number;
  /** Fragments it was cut into and sent as, and how often one of them was sent again. */
  readonly fragmentsSent: number;
  readonly fragmentsRepeated: number;
  /** From the call to the receipt, microseconds. */
  readonly elapsedUs: number;
}

/** What the endpoint does for a handle. */
export interface PeerOperations {
  send(bytes: Uint8Array, options: SendOptions): Promise<Receipt>;
  request(bytes: Uint8Array, options: DeliveryOptions): Promise<Uint8Array>;
  report(): PeerReport | undefined;
  close(): void;
}

/** The other end at one address. Get it from {@link Endpoint.peer}; it costs nothing to keep. */
export class RemotePeer {
  readonly #operations: PeerOperations;

  /** @internal */
  constructor(
    readonly address: Address,
    operations: PeerOperations,
  ) {
    this.#operations = operations;
  }

  /**
   * Send a message. Resolves when the peer's endpoint holds it whole (for `unacknowledged`: when it
   * has left; for `latest`: also when a newer value has replaced it).
   *
   * @param bytes - copied before this returns; 0 bytes to the peer's `messageBytesMax`
   * @throws {@link FardelError} `invalid-option`, `message-too-large`, `queue-full`,
   * `deadline-passed`, `aborted`, `refused-by-peer`, `damaged`, `peer-restarted`, `peer-closed`,
   * `peer-unreachable`, `endpoint-closed`. `delivery` says whether it may have arrived all the same.
   */
  send(bytes: Uint8Array, options: SendOptions = {}): Promise<Receipt> {
    return this.#operations.send(bytes, options);
  }

  /**
   * Send a message and wait for the reply of the peer's application.
   * @throws {@link FardelError} as {@link RemotePeer.send}; `not-answered` when it arrived but no
   * reply came before the deadline; `request-failed` with the text of the peer's application.
   */
  request(bytes: Uint8Array, options: DeliveryOptions = {}): Promise<Uint8Array> {
    return this.#operations.request(bytes, options);
  }

  /** What is known about the peer and the way to it; `undefined` before any contact. */
  report(): PeerReport | undefined {
    return this.#operations.report();
  }

  /** End the session; messages under way fail with `endpoint-closed`. A later send opens a new one. */
  close(): void {
    this.#operations.close();
  }
}
