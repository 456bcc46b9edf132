import type { PairSide } from "../keys/pair-key.js";

/** A key that is shared with a board, and which side of the pairing this was. */
export interface StoredKey {
  /** 32 bytes. */
  readonly secret: Uint8Array;
  readonly side: PairSide;
}

/** What is remembered of a board. */
export interface PairedPeer {
  /** Its hardware address, 1 to 255 bytes. */
  readonly address: Uint8Array;
  /** How people call it: 1 to 64 characters, no control characters; no two boards have the same. */
  readonly name: string;
  /** What it says it is, e.g. `row-station`. */
  readonly kind?: string;
  /**
   * Oldest first; more than one until the board is known to have the newest (PROTOCOL.md, section 16.3). None: it is known, and
   * spoken to in plain.
   */
  readonly keys: readonly StoredKey[];
  /** Index in `keys` of the one under which sessions are opened; 0 if there is none. */
  readonly usedIndex: number;
  /** Radio channel on which it was last heard. */
  readonly radioChannel?: number;
  /** Milliseconds since 1970. */
  readonly firstSeenMs: number;
  readonly lastSeenMs: number;
  /** When it was revoked, milliseconds since 1970: nothing goes to it or comes from it. It has no keys then. */
  readonly revokedMs?: number;
}

/** Where paired boards are kept. */
export interface PeerStore {
  /** All boards, by name. @throws {@link StoreError} */
  read(): Promise<readonly PairedPeer[]>;
  /**
   * Changes what is kept, as one step: nobody sees half of it, and nothing that another program has changed meanwhile is
   * lost.
   * @param change - gets all boards and gives all boards; called once, must not keep what it gets
   * @returns what is kept now, written when the promise resolves
   * @throws {@link StoreError}, or what `change` throws: nothing has changed then
   */
  change(
    change: (peers: readonly PairedPeer[]) => readonly PairedPeer[],
  ): Promise<readonly PairedPeer[]>;
}
