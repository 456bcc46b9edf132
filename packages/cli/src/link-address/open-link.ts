import type { Address, Link } from "@fardel/core";
import type { PairedPeer } from "@fardel/pairing";
import type { Context } from "../context.js";
import { type LinkAddress, parseLink } from "./link-syntax.js";
import { openLossy } from "./lossy.js";
import { openReplay } from "./replay.js";
import { openSerial } from "./serial.js";
import { openUdp } from "./udp.js";

/** A link that `--link` named, ready for `Endpoint.open`. */
export interface OpenLink {
  readonly link: Link;
  /** For people: what was opened. */
  readonly describe: string;
  /** Aborted when the link has failed for good, with the error as its reason. */
  readonly failed?: AbortSignal;
  /** Aborted when nothing will arrive any more: a recording was played to its end. */
  readonly ended?: AbortSignal;
  /** What an endpoint on this link draws its numbers from; left out: from the platform. */
  readonly random?: () => number;
  /** The only peer there is, where `--to` may be left out. */
  readonly onlyPeer?: Address;
  /** Left out where the link has no radio channel that can be set. */
  readonly radio?: RadioSetting;
  /** Left out where boards are real. */
  readonly simulated?: SimulatedBoards;
  /**
   * The address of a peer: of hardware with colons, or `HOST:PORT`.
   * @throws Problem, or an error of the link that `problemOf` understands
   */
  parseAddress(text: string): Promise<Address>;
  formatAddress(address: Address): string;
  /** Closes the link, if nobody has, and whatever stands behind it. May be called twice. */
  close(): Promise<void>;
}

/** The radio channel of a link. */
export interface RadioSetting {
  /** The one that is set now; `undefined`: not known. */
  channel(): number | undefined;
  /** @throws an error of the link that `problemOf` understands */
  setChannel(channel: number): void | Promise<void>;
}

/** What a person would read on a board that is simulated. Invented. */
export interface BoardLabel {
  readonly address: Address;
  readonly name: string;
  readonly claimCode: string;
}

/** What a person would see of simulated boards. All of it is invented. */
export interface SimulatedBoards {
  readonly labels: readonly BoardLabel[];
  /** Be told of each short code that a board shows; its person accepts them all. */
  onShortCode(listener: (shortCode: string) => void): void;
}

/** What the simulated boards of a `lossy:` link know and do, and whose keys a recording is played with. */
export interface SimulationOptions {
  /** Boards that are paired: simulated ones have the other side of these keys. Default: none. */
  readonly peers?: readonly PairedPeer[];
  /**
   * Whether they announce themselves, answer whoever looks for them, and are in pairing mode. That takes airtime.
   * Default `false`.
   */
  readonly isFindable?: boolean;
  /** There will be no endpoint: what arrives is only looked at. Default `false`. */
  readonly isOnlyLookedAt?: boolean;
}

/**
 * Open what the text of `--link` names.
 * @throws Problem if the text is wrong; else an error of the link that `problemOf` understands
 */
export async function openLink(
  text: string,
  context: Context,
  simulation: SimulationOptions = {},
): Promise<OpenLink> {
  return openAddress(parseLink(text), context, simulation);
}

/** The same for a link that was taken apart already. */
export async function openAddress(
  address: LinkAddress,
  context: Context,
  simulation: SimulationOptions = {},
): Promise<OpenLink> {
  switch (address.kind) {
    case "serial":
      return openSerial(address, context);
    case "udp":
      return openUdp(address, context);
    case "lossy":
      return openLossy(address, context, simulation);
    case "replay":
      return openReplay(address, context, simulation);
  }
}
