import type { Address, Link, SendOutcome } from "@fardel/core";
import { SerialBridgeError } from "../errors.js";
import { sameBytes } from "../host/same-bytes.js";
import { ADDRESS_BYTES_MAX, MTU_BYTES_MAX, MTU_BYTES_MIN } from "../limits.js";
import type { RadioResult } from "./bridge-core.js";
import type { BridgeRadio, BridgeRadioHandlers } from "./bridge-radio.js";

/** How a link stands for a radio. */
export interface LinkRadioOptions {
  /** Places in the table of peers, 0 to 255; 0: none needed. Default 20: common practice, no source. */
  readonly peersMax?: number;
  /** Datagrams that it takes at once, 1 to the link's `outstandingMax`. Default 1, as most radios. */
  readonly depth?: number;
  /** Needed if the link does not know its own address. 1 to 18 bytes. */
  readonly address?: Address;
  /** Whether the link tells if the neighbour acknowledged. Default `false`. */
  readonly tellsAcknowledgement?: boolean;
  /** The radio channel at first, 0 to 255. Default 0: none. */
  readonly channel?: number;
  /** Sets the radio channel, if that is possible. */
  readonly setChannel?: (channel: number) => "set" | "not-allowed";
}

const RESULTS: Readonly<Record<SendOutcome, RadioResult>> = {
  sent: "sent",
  acknowledged: "acknowledged",
  "not-acknowledged": "not-acknowledged",
  refused: "not-taken",
  gone: "unknown",
};

/**
 * Makes a radio of any link, for a {@link Bridge}: a bridge without a board. Like many radios it wants
 * each address in a small table before it sends there, and throws when that is not so.
 *
 * ```ts
 * const bridge = await Bridge.start({ source: line.board, radio: linkRadio(link) });
 * ```
 * @throws {@link SerialBridgeError} `invalid-option`
 */
export function linkRadio(link: Link, options: LinkRadioOptions = {}): BridgeRadio {
  return new LinkRadio(link, options);
}

class LinkRadio implements BridgeRadio {
  readonly mtuBytes: number;
  readonly address: Address;
  readonly canBroadcast: boolean;
  readonly peersMax: number;
  readonly depth: number;
  readonly tellsAcknowledgement: boolean;
  readonly airtimeFixedUs: number;
  readonly airtimePerByteNs: number;
  /** Not even a field where the channel cannot be set. */
  declare readonly setChannel?: (channel: number) => "set" | "not-allowed";
  readonly #link: Link;
  readonly #everybody: Address;
  readonly #underWay: Address[] = [];
  #peers: Address[] = [];
  #channel: number;

  constructor(link: Link, options: LinkRadioOptions) {
    const { peersMax = 20, depth = 1, tellsAcknowledgement = false, channel = 0 } = options;
    this.#link = link;
    this.mtuBytes = Math.min(link.mtuBytes, MTU_BYTES_MAX);
    if (!(this.mtuBytes >= MTU_BYTES_MIN)) {
      throw invalid(`The link's mtuBytes is ${link.mtuBytes}: a bridge needs at least 20.`);
    }
    this.address = checkedAddress(options.address ?? link.localAddress);
    this.canBroadcast = link.broadcastAddress !== undefined;
    this.peersMax = checkedWhole("peersMax", peersMax, 0, 255);
    this.depth = checkedWhole("depth", depth, 1, link.outstandingMax);
    this.tellsAcknowledgement = tellsAcknowledgement;
    this.#channel = checkedWhole("channel", channel, 0, 255);
    this.#everybody = this.address.slice().fill(0xff);
    const { fixedUs, perByteNs } = airtimeOf(link, this.mtuBytes);
    this.airtimeFixedUs = fixedUs;
    this.airtimePerByteNs = perByteNs;
    const { setChannel } = options;
    if (setChannel) {
      this.setChannel = (wanted) => {
        const result = setChannel(wanted);
        if (result === "set") this.#channel = wanted;
        return result;
      };
    }
  }

  get channel(): number {
    return this.#channel;
  }

  open(handlers: BridgeRadioHandlers): void | Promise<void> {
    return this.#link.open({
      onDatagram: (from, datagram, info) => handlers.onReceived(from, info.rssiDbm, datagram),
    });
  }

  addPeer(address: Address): void {
    if (this.peersMax === 0) throw broken("there is no table");
    if (this.#find(address) >= 0) throw broken("the address is in the table already");
    if (this.#peers.length >= this.peersMax) throw broken("the table is full");
    this.#peers.push(address.slice());
  }

  removePeer(address: Address): void {
    const index = this.#find(address);
    if (index < 0) throw broken("the address to be put out is not in the table");
    if (this.#underWay.some((to) => sameBytes(to, address))) {
      throw broken("a datagram to the address that is put out is under way");
    }
    this.#peers.splice(index, 1);
  }

  transmit(to: Address, datagram: Uint8Array, done: (result: RadioResult) => void): void {
    if (this.peersMax > 0 && this.#find(to) < 0) throw broken("the address is not in the table");
    if (this.#underWay.length >= this.depth) throw broken("too many datagrams at once");
    // Copies: a bridge may give up waiting for the result, but the link may need them until then.
    const own = to.slice();
    this.#underWay.push(own);
    const { broadcastAddress } = this.#link;
    const isForAll = broadcastAddress !== undefined && sameBytes(own, this.#everybody);
    this.#link.send(isForAll ? broadcastAddress : own, datagram.slice(), (outcome) => {
      const index = this.#underWay.indexOf(own);
      if (index >= 0) this.#underWay.splice(index, 1);
      done(RESULTS[outcome]);
    });
  }

  reset(): void {
    this.#peers = [];
    this.#underWay.length = 0;
  }

  close(): void | Promise<void> {
    return this.#link.close();
  }

  #find(address: Address): number {
    return this.#peers.findIndex((peer) => sameBytes(peer, address));
  }
}

/** What fits into HELLO; both 0 where it is not known. */
function airtimeOf(link: Link, mtuBytes: number): { fixedUs: number; perByteNs: number } {
  const none = { fixedUs: 0, perByteNs: 0 };
  if (!link.airtimeUs) return none;
  const fixedUs = Math.round(link.airtimeUs(0));
  const perByteNs = Math.round(((link.airtimeUs(mtuBytes) - fixedUs) * 1000) / mtuBytes);
  const fits = fixedUs >= 0 && fixedUs <= 0xffff && perByteNs >= 0 && perByteNs <= 0xffffffff;
  return fits ? { fixedUs, perByteNs } : none;
}

function checkedAddress(address: Address | undefined): Address {
  if (!address) {
    throw invalid("The link does not know its own address. Give one as the option address.");
  }
  if (address.length < 1 || address.length > ADDRESS_BYTES_MAX) {
    throw invalid(
      `The radio's address has ${address.length} bytes: a bridge carries 1 to ${ADDRESS_BYTES_MAX}.`,
    );
  }
  return address.slice();
}

function checkedWhole(name: string, value: number, least: number, most: number): number {
  if (Number.isInteger(value) && value >= least && value <= most) return value;
  throw invalid(`${name} is ${value}: give a whole number from ${least} to ${most}.`);
}

function invalid(sentence: string): SerialBridgeError {
  return new SerialBridgeError("invalid-option", sentence);
}

/** A fault of the bridge, not of anything that comes from outside. */
function broken(what: string): Error {
  return new Error(`The bridge has broken a rule of its radio: ${what}.`);
}
