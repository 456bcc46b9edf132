import type { Address } from "@fardel/core";
import { PROTECTED_MTU_MIN } from "@fardel/core";
import {
  findPeer,
  type KeyRing,
  openStoredKeyRing,
  type PairedPeer,
  PeerBook,
  StoreError,
} from "@fardel/pairing";
import { PeerFile } from "@fardel/pairing/node";
import type { Context } from "../context.js";
import type { OpenLink } from "../link-address/open-link.js";
import { printable } from "../output.js";

/** Options of every command that looks at paired boards. */
export interface StoreOptions {
  readonly store?: string;
}

/** The store that a command was told of, or the one of this account. */
export function openBook({ store }: StoreOptions, context: Context): PeerBook {
  const path = store ?? context.peersFile;
  const file = new PeerFile(path, {
    onWarning: (sentence) => context.output.err(`${printable(sentence)}\n`),
  });
  return new PeerBook(file);
}

/** Paired boards on an open link: they have names, and keys. */
export interface PairedLink extends OpenLink {
  /** What an endpoint on this link is opened with, besides the link. */
  readonly endpointOptions: { readonly protection?: KeyRing };
  /** `row-7 (02:00:00:00:00:0b)`, or the address alone. For people. */
  nameOf(address: Address): string;
}

/** What a store held when a command began. */
export interface PairedBoards {
  readonly peers: readonly PairedPeer[];
  readonly ring: KeyRing;
}

/** @throws StoreError */
export async function readPairedBoards(
  options: StoreOptions,
  context: Context,
): Promise<PairedBoards> {
  const book = openBook(options, context);
  return { peers: await book.list(), ring: await openStoredKeyRing(book.store) };
}

/**
 * Gives a link the names and keys of paired boards. Where datagrams are too small for protected sessions there are no keys,
 * and whoever is spoken to in plain although there is one is told.
 */
export function withPairedBoards(
  open: OpenLink,
  { peers, ring }: PairedBoards,
  context: Context,
): PairedLink {
  const isLarge = open.link.mtuBytes >= PROTECTED_MTU_MIN;
  const hasKeys = peers.some(({ keys, revokedMs }) => keys.length > 0 || revokedMs !== undefined);
  if (hasKeys && !isLarge) {
    const sentence = `Datagrams of this link have at most ${open.link.mtuBytes} bytes; protected sessions need ${PROTECTED_MTU_MIN}. Everything goes in plain.`;
    context.output.err(`${sentence}\n`);
  }
  return {
    ...open,
    parseAddress: (text) => parsePeer(text, peers, open),
    formatAddress: (address) => open.formatAddress(address),
    close: () => open.close(),
    nameOf: (address) => {
      const text = open.formatAddress(address);
      const known = peers.find((peer) => isSame(peer.address, address));
      return known ? `${printable(known.name)} (${text})` : text;
    },
    endpointOptions: isLarge ? { protection: ring } : {},
  };
}

/** A name goes before an address: no name looks like one. */
async function parsePeer(
  text: string,
  peers: readonly PairedPeer[],
  open: OpenLink,
): Promise<Address> {
  const exact = peers.find(({ name }) => name === text);
  if (exact) return exact.address;
  try {
    return await open.parseAddress(text);
  } catch (error) {
    // Whoever has paired boards may have meant the beginning of a name.
    try {
      return findPeer(peers, text).address;
    } catch (ofStore) {
      const isAmbiguous = ofStore instanceof StoreError && ofStore.code === "ambiguous-name";
      throw isAmbiguous ? ofStore : error;
    }
  }
}

function isSame(one: Uint8Array, other: Uint8Array): boolean {
  return one.length === other.length && one.every((byte, at) => byte === other[at]);
}
