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
  readonly endpointOptions: { readonly protection?: KeyRing; readonly random?: () => number };
  /** `row-7 (02:00:00:00:00:0b)`, or the address alone. For people. */
  nameOf(address: Address): string;
}

/** The same, for commands that find and pair boards. */
export interface PairingLink extends PairedLink {
  readonly paired: PairedBoards;
  /** {@link OpenLink.parseAddress} for an address only, not for the name of a board. */
  parseBareAddress(text: string): Promise<Address>;
}

/** What a store held when a command began. */
export interface PairedBoards {
  readonly book: PeerBook;
  readonly peers: readonly PairedPeer[];
  /** Keeps in the store whatever changes. */
  readonly ring: KeyRing;
}

/** @throws StoreError */
export async function readPairedBoards(
  options: StoreOptions,
  context: Context,
): Promise<PairedBoards> {
  const book = openBook(options, context);
  const peers = await book.list();
  const nowMs = () => context.today().getTime();
  return { book, peers, ring: await openStoredKeyRing(book.store, { nowMs }) };
}

/**
 * Gives a link the names and keys of paired boards. Where datagrams are too small for protected sessions there are no keys,
 * and whoever is spoken to in plain although there is one is told.
 */
export function withPairedBoards(
  open: OpenLink,
  paired: PairedBoards,
  context: Context,
): PairingLink {
  const { peers, ring } = paired;
  const isLarge = open.link.mtuBytes >= PROTECTED_MTU_MIN;
  const hasKeys = peers.some(({ keys, revokedMs }) => keys.length > 0 || revokedMs !== undefined);
  if (hasKeys && !isLarge) {
    const sentence = `Datagrams of this link have at most ${open.link.mtuBytes} bytes; protected sessions need ${PROTECTED_MTU_MIN}. Everything goes in plain.`;
    context.output.err(`${sentence}\n`);
  }
  return {
    ...open,
    paired,
    parseAddress: (text) => parsePeer(text, peers, open),
    parseBareAddress: (text) => open.parseAddress(text),
    formatAddress: (address) => open.formatAddress(address),
    close: () => open.close(),
    nameOf: (address) => {
      const text = open.formatAddress(address);
      const known = peerAt(peers, address);
      return known ? `${printable(known.name)} (${text})` : text;
    },
    endpointOptions: {
      ...(isLarge && { protection: ring }),
      ...(open.random && { random: open.random }),
    },
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

/** What is known of the board at an address. */
export function peerAt(peers: readonly PairedPeer[], address: Address): PairedPeer | undefined {
  return peers.find((peer) => isSameAddress(peer.address, address));
}

export function isSameAddress(one: Uint8Array, other: Uint8Array): boolean {
  return one.length === other.length && one.every((byte, at) => byte === other[at]);
}
