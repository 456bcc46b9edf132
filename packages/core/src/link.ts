/**
 * The contract between an endpoint and whatever carries its datagrams.
 *
 * A link moves one datagram at a time and promises nothing else: it may lose, repeat, reorder or
 * damage what it carries. It does say when a datagram has left. Everything that an adapter must
 * hold to is stated here and checked by `linkConformance` (entry `@fardel/core/conformance`).
 *
 * @packageDocumentation
 */

/** Where a datagram comes from or goes to: opaque bytes, for instance a 6-byte hardware address. */
export type Address = Uint8Array;

/**
 * What became of one datagram that was handed to {@link Link.send}.
 *
 * - `sent`: it has left; nothing is known about its arrival (all that a broadcast ever tells).
 * - `acknowledged`: the neighbouring radio confirmed it at link level. Not proof of delivery: the
 *   receiving program may never see it.
 * - `not-acknowledged`: it left, but the neighbour did not confirm it. It may still have arrived.
 * - `refused`: the send queue was full; the datagram did not and will not leave.
 * - `gone`: the link is closed or down (cable pulled, radio off); whether it left is unknown.
 */
export type SendOutcome = "sent" | "acknowledged" | "not-acknowledged" | "refused" | "gone";

/** What the link knows about a datagram it received. Leave out what it does not know. */
export interface DatagramInfo {
  /** Received signal strength, dBm, usually -100 to -20. */
  readonly rssiDbm?: number;
  /** Radio channel number on which it was heard. */
  readonly radioChannel?: number;
}

/** Calls that a link makes to its owner. None may be made from inside {@link Link.send}. */
export interface LinkHandlers {
  /**
   * A datagram has arrived. Both arrays belong to the link: they are valid during the call only.
   * @param from - address of the sender
   * @param datagram - its bytes, whole, at most `mtuBytes`
   */
  onDatagram(from: Address, datagram: Uint8Array, info: DatagramInfo): void;
  /** The link went down (nothing leaves, nothing arrives) or came back up. */
  onStatus?(status: "up" | "down"): void;
}

/**
 * One way to carry datagrams. Write an adapter by implementing this interface and running
 * `linkConformance` against it.
 */
export interface Link {
  /** Largest datagram this link carries, bytes, 20 to 65535. Constant while the link is open. */
  readonly mtuBytes: number;
  /** How many datagrams may be handed over before their outcomes are in; at least 1. */
  readonly outstandingMax: number;
  /** This side's own address, if the link knows it. */
  readonly localAddress?: Address;
  /** Address that reaches everybody in range; left out when the link cannot broadcast. */
  readonly broadcastAddress?: Address;
  /** Time that a datagram of this size keeps the medium busy, microseconds, if known. */
  airtimeUs?(datagramBytes: number): number;
  /** Start to deliver. Rejects with an `Error` that says what to do when it cannot. Called once. */
  open(handlers: LinkHandlers): void | Promise<void>;
  /**
   * Hand over one datagram.
   *
   * `done` is called exactly once, never from inside `send`. The bytes of `to` and `datagram` stay
   * untouched until then: an adapter needs no copy to queue them. Datagrams leave in the order they
   * were handed over. More than `outstandingMax` at once gives `refused`; so does a datagram
   * longer than `mtuBytes`; a link that is closed, not opened or down gives `gone`.
   */
  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void;
  /** Stop: outstanding sends end as `gone`, no handler is called afterwards. May be called twice. */
  close(): void | Promise<void>;
}
