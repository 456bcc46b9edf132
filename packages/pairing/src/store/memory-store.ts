import type { PairedPeer, PeerStore } from "./paired-peer.js";
import { checkPeers } from "./peer-text.js";

/** Paired boards in memory: for tests, and for programs that keep them in a place of their own. */
export class MemoryPeerStore implements PeerStore {
  #peers: readonly PairedPeer[];

  /** @throws {@link StoreError} `bad-value`, `name-taken` */
  constructor(peers: readonly PairedPeer[] = []) {
    checkPeers(peers);
    this.#peers = [...peers];
  }

  async read(): Promise<readonly PairedPeer[]> {
    return this.#peers;
  }

  async change(
    change: (peers: readonly PairedPeer[]) => readonly PairedPeer[],
  ): Promise<readonly PairedPeer[]> {
    const changed = change(this.#peers);
    checkPeers(changed);
    this.#peers = [...changed];
    return this.#peers;
  }
}
