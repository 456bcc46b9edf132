import type { Paired, PairedPeer, PairingWay } from "@fardel/pairing";
import { PROTECTED_WORDS, renderFacts } from "../link-facts.js";
import { printable } from "../output.js";
import { isSameAddress, type PairingLink, peerAt } from "../paired/paired-boards.js";
import { EXIT, Problem } from "../problem.js";
import type { FoundBoard } from "./pair-search.js";

export const UNCONFIRMED =
  "The board has not said that it uses the key. It has the key, and will use it as soon as it hears from you: send it something. If it does not answer, pair again.";

/**
 * Keeps what is known besides the key, which is stored already.
 * @param as - how it is to be called; left out: as it is called in the store
 * @throws Problem, StoreError
 */
export async function keepFacts(
  { address, view }: FoundBoard,
  as: string | undefined,
  { paired, radio }: PairingLink,
): Promise<PairedPeer> {
  const kind = view?.found.kind;
  const radioChannel = view?.found.channel ?? radio?.channel();
  const facts = {
    ...(as !== undefined && { name: as }),
    ...(kind && { kind }),
    ...(radioChannel !== undefined && { radioChannel }),
  };
  const peers = await paired.book.store.change((kept) =>
    kept.map((peer) => (isSameAddress(peer.address, address) ? { ...peer, ...facts } : peer)),
  );
  const peer = peerAt(peers, address);
  if (peer) return peer;
  const sentence = "The board was taken out of the store by another program. Pair again.";
  throw new Problem(EXIT.failed, "not-stored", sentence);
}

/** The last line of `--json`. */
export function resultObject(
  { name, kind, radioChannel }: PairedPeer,
  addressText: string,
  way: PairingWay,
  { isConfirmed }: Paired,
): Readonly<Record<string, unknown>> {
  return {
    type: "result",
    name,
    address: addressText,
    ...(kind !== undefined && { kind }),
    ...(radioChannel !== undefined && { radioChannel }),
    way,
    isProtected: true,
    isConfirmed,
  };
}

/**
 * The same for a person, and what to do next.
 * @param storePath - the store, as a person would name it
 * @param linkText - the text of `--link`
 */
export function resultText(
  { name, kind, radioChannel }: PairedPeer,
  addressText: string,
  storePath: string,
  linkText: string,
): string {
  const facts: [string, string][] = [["address", addressText]];
  if (kind !== undefined) facts.push(["kind", printable(kind)]);
  if (radioChannel !== undefined) facts.push(["channel", String(radioChannel)]);
  facts.push(["protection", PROTECTED_WORDS]);
  facts.push(["kept in", printable(storePath)]);
  const next = `fardel send FILE --to ${quoted(name)} --link ${quoted(linkText)}`;
  facts.push(["next", printable(next)]);
  return `paired: ${printable(name)}\n${renderFacts(facts)}`;
}

/** As a shell takes it for one word. */
export function quoted(word: string): string {
  return /^[\w@%+=:,./-]+$/.test(word) ? word : `'${word.replaceAll("'", "'\\''")}'`;
}
