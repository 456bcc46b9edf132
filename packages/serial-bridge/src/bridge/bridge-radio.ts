import type { Address } from "@fardel/core";
import type { RadioResult } from "./bridge-core.js";

/** Calls that a radio makes to its owner. None may be made from inside a call to the radio. */
export interface BridgeRadioHandlers {
  /**
   * A datagram was heard, for this board or for everybody. The arrays are valid during the call only.
   * @param rssiDbm - signal strength, dBm, if it is known
   */
  onReceived(from: Address, rssiDbm: number | undefined, datagram: Uint8Array): void;
  /** The radio channel has changed by itself. */
  onChannelChanged?(channel: number): void;
}

/** The radio of a bridge: any connectionless radio, or a link that stands for one. */
export interface BridgeRadio {
  /** Largest datagram, bytes, 20 to 1500. */
  readonly mtuBytes: number;
  /** Its own address, 1 to 18 bytes; all others have the same length. */
  readonly address: Address;
  /** Whether the address of all ones reaches everybody. */
  readonly canBroadcast: boolean;
  /** Places in its table of peers, 0 to 255; 0: it has none, and needs none. */
  readonly peersMax: number;
  /** Datagrams that it takes before it has said what became of the first. Default 1. */
  readonly depth?: number;
  /** Whether its results tell if the neighbour acknowledged. */
  readonly tellsAcknowledgement: boolean;
  /** The radio channel now, 1 to 255; 0: none, or not known. */
  readonly channel: number;
  /** Microseconds that any datagram keeps the medium busy, 0 to 65535; with the next one 0: not known. */
  readonly airtimeFixedUs: number;
  /** Nanoseconds for each of its bytes, 0 to 2^32 - 1. */
  readonly airtimePerByteNs: number;

  /** Start to hear. Called once. */
  open(handlers: BridgeRadioHandlers): void | Promise<void>;
  /** Set the radio channel, 1 to 255. Left out where it cannot be set. */
  setChannel?(channel: number): "set" | "not-allowed";
  /** Put an address in the table of peers; there is a free place. */
  addPeer(address: Address): void;
  /** Put one out; no datagram to it is under way. */
  removePeer(address: Address): void;
  /**
   * Send one datagram to an address that is in the table.
   * @param done - called once, never from inside this call
   */
  transmit(to: Address, datagram: Uint8Array, done: (result: RadioResult) => void): void;
  /** The board restarts: its table is empty again, results that are due may stay away. */
  reset(): void;
  /** Stop: no handler is called afterwards. May be called twice. */
  close(): void | Promise<void>;
}
