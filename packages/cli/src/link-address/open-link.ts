import type { Address, Link } from "@fardel/core";
import type { Context } from "../context.js";
import { type LinkAddress, parseLink } from "./link-syntax.js";
import { openLossy } from "./lossy.js";
import { openSerial } from "./serial.js";
import { openUdp } from "./udp.js";

/** A link that `--link` named, ready for `Endpoint.open`. */
export interface OpenLink {
  readonly link: Link;
  /** For people: what was opened. */
  readonly describe: string;
  /** Aborted when the link has failed for good, with the error as its reason. */
  readonly failed?: AbortSignal;
  /** The only peer there is, where `--to` may be left out. */
  readonly onlyPeer?: Address;
  /**
   * The address of a peer: of hardware with colons, or `HOST:PORT`.
   * @throws Problem, or an error of the link that `problemOf` understands
   */
  parseAddress(text: string): Promise<Address>;
  formatAddress(address: Address): string;
  /** Closes the link, if nobody has, and whatever stands behind it. May be called twice. */
  close(): Promise<void>;
}

/**
 * Open what the text of `--link` names.
 * @throws Problem if the text is wrong; else an error of the link that `problemOf` understands
 */
export async function openLink(text: string, context: Context): Promise<OpenLink> {
  return openAddress(parseLink(text), context);
}

/** The same for a link that was taken apart already. */
export async function openAddress(address: LinkAddress, context: Context): Promise<OpenLink> {
  switch (address.kind) {
    case "serial":
      return openSerial(address, context);
    case "udp":
      return openUdp(address, context);
    case "lossy":
      return openLossy(address, context);
  }
}
