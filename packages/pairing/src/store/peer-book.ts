import { isSameAddress, parseAddressText } from "./address-text.js";
import type { PairedPeer, PeerStore } from "./paired-peer.js";
import { checkName, freeName, readPeers, writePeers } from "./peer-text.js";
import { StoreError } from "./store-error.js";

/** What people do with paired boards, on any store. */
export class PeerBook {
  constructor(readonly store: PeerStore) {}

  /** All boards, by name. @throws {@link StoreError} */
  list(): Promise<readonly PairedPeer[]> {
    return this.store.read();
  }

  /**
   * The board that is meant: by its name, its address, or the beginning of its name if no other begins so.
   * @throws {@link StoreError} `unknown-peer`, `ambiguous-name`
   */
  async find(nameOrAddress: string): Promise<PairedPeer> {
    return findPeer(await this.store.read(), nameOrAddress);
  }

  /** Adds a board, or puts what is given in place of what was known under its address. */
  async put(peer: PairedPeer): Promise<void> {
    await this.store.change((peers) => [
      ...peers.filter(({ address }) => !isSameAddress(address, peer.address)),
      peer,
    ]);
  }

  /** @throws {@link StoreError} `unknown-peer`, `ambiguous-name`, `name-taken`, `bad-value` */
  async rename(nameOrAddress: string, name: string): Promise<PairedPeer> {
    checkName(name);
    return this.#replace(nameOrAddress, (peer) => ({ ...peer, name }));
  }

  /**
   * Trusts a board no more: its keys are deleted, and nothing goes to it or comes from it until it is paired again.
   * @throws {@link StoreError} `unknown-peer`, `ambiguous-name`
   */
  async revoke(nameOrAddress: string, nowMs: number): Promise<PairedPeer> {
    return this.#replace(nameOrAddress, (peer) => ({
      ...peer,
      keys: [],
      usedIndex: 0,
      revokedMs: nowMs,
    }));
  }

  /** Forgets a board altogether. @throws {@link StoreError} `unknown-peer`, `ambiguous-name` */
  async forget(nameOrAddress: string): Promise<PairedPeer> {
    let forgotten: PairedPeer | undefined;
    await this.store.change((peers) => {
      const meant = findPeer(peers, nameOrAddress);
      forgotten = meant;
      return peers.filter((peer) => peer !== meant);
    });
    return forgotten as PairedPeer;
  }

  /** All boards as text, keys included. */
  async export(): Promise<string> {
    return writePeers(await this.store.read());
  }

  /**
   * Takes boards from such a text. A board whose address is known already is left as it is, unless `replaces`; one
   * whose name is taken gets a number behind it.
   * @returns which came in
   * @throws {@link StoreError} `store-damaged`: nothing has changed
   */
  async import(text: string, replaces = false): Promise<readonly PairedPeer[]> {
    const offered = readPeers(text);
    let taken: PairedPeer[] = [];
    await this.store.change((peers) => {
      const isKnown = ({ address }: PairedPeer) =>
        peers.some((peer) => isSameAddress(peer.address, address));
      taken = offered.filter((peer) => replaces || !isKnown(peer));
      const kept = peers.filter(
        (peer) => !taken.some(({ address }) => isSameAddress(address, peer.address)),
      );
      const names = new Set(kept.map(({ name }) => name));
      taken = taken.map((peer) => {
        const name = freeName(peer.name, names);
        names.add(name);
        return { ...peer, name };
      });
      return [...kept, ...taken];
    });
    return taken;
  }

  async #replace(
    nameOrAddress: string,
    change: (peer: PairedPeer) => PairedPeer,
  ): Promise<PairedPeer> {
    let changed: PairedPeer | undefined;
    await this.store.change((peers) => {
      const meant = findPeer(peers, nameOrAddress);
      const next = change(meant);
      changed = next;
      return peers.map((peer) => (peer === meant ? next : peer));
    });
    return changed as PairedPeer;
  }
}

/**
 * The board that is meant by a name, an address, or the beginning of one name.
 * @throws {@link StoreError} `unknown-peer`, `ambiguous-name`
 */
export function findPeer(peers: readonly PairedPeer[], nameOrAddress: string): PairedPeer {
  const address = parseAddressText(nameOrAddress);
  const exact = peers.find(
    (peer) =>
      peer.name === nameOrAddress ||
      (address !== undefined && isSameAddress(peer.address, address)),
  );
  if (exact) return exact;
  const begin = peers.filter(({ name }) => name.startsWith(nameOrAddress));
  if (begin.length === 1 && nameOrAddress !== "") return begin[0] as PairedPeer;
  if (begin.length > 1 && nameOrAddress !== "") {
    const names = begin.slice(0, 5).map(({ name }) => name);
    const more = begin.length > names.length ? ", …" : "";
    throw new StoreError(
      "ambiguous-name",
      `${nameOrAddress} could be ${names.join(", ")}${more}. Give the whole name, or the address.`,
    );
  }
  const known = peers.length === 0 ? "None is paired yet." : `${peers.length} are known.`;
  throw new StoreError(
    "unknown-peer",
    `No paired board is called ${JSON.stringify(nameOrAddress)}. ${known} List them: fardel peers.`,
  );
}
