import type { ProtocolConfig } from "@fardel/core";
import type { Random } from "@fardel/lossy-link";
import type { Overheard } from "./overheard.js";

/** One datagram of an attacker. */
export interface Shot {
  /** What the victim's link will call its source; may be anybody's. */
  readonly from: Uint8Array;
  /** Its bytes. What no radio carries (none, or more than the MTU) is given to the victim all the same. */
  readonly datagram: Uint8Array;
  /** How long the attacker waits before the next one, microseconds; 0 by default. */
  readonly pauseUs?: number;
}

/** Where an attacker stands: what it sees and whom. */
export interface Vantage {
  /** All chance of the attack. */
  readonly random: Random;
  readonly mtuBytes: number;
  /** Address of a good peer that talks with the victim. */
  readonly goodPeer: Uint8Array;
  /** Everything that the victim and the good peer say to each other. Only an eavesdropper may look. */
  readonly overheard: Overheard;
  /** From now on keep what the victim sends to this address, newest last; the attacker receives there. */
  receiveAt(address: Uint8Array): readonly Uint8Array[];
  /** The victim's application sends a message to this address, and does not mind if that fails. */
  lure(address: Uint8Array, bytes: number): void;
}

/**
 * Hostile input against one endpoint: an endless, deterministic stream of datagrams.
 *
 * What an attacker may know grows from `stranger` (only addresses), to `peer` (it receives at its own
 * addresses, so it can open sessions), to `eavesdropper` (it hears every datagram on the air, knows all
 * tokens and numbers, and forges source addresses and checksums).
 */
export interface Attack {
  readonly name: string;
  readonly knows: "stranger" | "peer" | "eavesdropper";
  /**
   * Who forges the datagrams of a session can end it (PROTOCOL.md, section 11: the CRC protects against
   * accidents, not against people). With `sessions`, the good peer's messages may fail while the attack lasts, but only
   * with a typed error, and all is well again after it.
   */
  readonly harms?: "nothing" | "sessions";
  /** Limits of the victim, where the defaults would take too long to reach. */
  readonly limits?: Partial<ProtocolConfig>;
  /** How many datagrams make the attack; a test sends so many. */
  readonly datagrams: number;
  /** Applications of the victim that answer requests of anybody; default true. */
  readonly repliesToAll?: boolean;
  shots(vantage: Vantage): Iterator<Shot>;
}
