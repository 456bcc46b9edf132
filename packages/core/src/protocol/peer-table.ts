/** Peers looked at when one must be forgotten, and when room was made. */
const LOOK_AT_MAX = 16;

/** What the table needs to know of a peer. */
export interface Remembered {
  readonly address: Uint8Array;
  readonly key: string;
  /** Nothing is under way, nothing is held. */
  readonly isIdle: boolean;
  /** Instant of its last sign of life. */
  readonly heardUs: number;
}

/** How many are remembered; PROTOCOL.md, section 11. */
export interface TableLimits {
  readonly peersMax: number;
  readonly strangersMax: number;
}

/** All peers of an endpoint by their addresses, and which of them are strangers. */
export class PeerTable<T extends Remembered> {
  readonly #peers = new Map<string, T>();
  /** Oldest first. */
  readonly #strangers = new Set<T>();
  #last: T | undefined;

  /**
   * @param create - makes the peer for an address
   * @param onForget - called for each peer that is taken out to make room
   */
  constructor(
    readonly limits: TableLimits,
    readonly create: (address: Uint8Array, key: string) => T,
    readonly onForget: (peer: T) => void,
  ) {}

  values(): IterableIterator<T> {
    return this.#peers.values();
  }

  find(address: Uint8Array): T | undefined {
    // Datagrams come in bursts from one peer: its key need not be made each time.
    const last = this.#last;
    if (last && isSame(last.address, address)) return last;
    const found = this.#peers.get(addressKey(address));
    if (found) this.#last = found;
    return found;
  }

  /** The peer at an address, whoever has to make room for it. */
  obtain(address: Uint8Array): T {
    const known = this.find(address);
    if (known) return known;
    this.#makeRoom();
    return this.#add(address);
  }

  /** Room for a newcomer who opens, among the strangers. @returns nothing if there is none */
  admit(address: Uint8Array): T | undefined {
    // Strangers make room for each other before any peer has to.
    const { peersMax, strangersMax } = this.limits;
    const [oldest] = this.#strangers;
    const isFull = this.#peers.size >= peersMax || this.#strangers.size >= strangersMax;
    if (oldest && isFull) this.#forget(oldest);
    if (!this.#makeRoom()) return undefined;
    const peer = this.#add(address);
    this.#strangers.add(peer);
    return peer;
  }

  /** It has proved itself, or its owner wants to talk to it: no stranger any more. */
  accept(peer: T): void {
    this.#strangers.delete(peer);
  }

  /** Some peers, which go to the back of the line: others come next time. */
  next(): T[] {
    const peers: T[] = [];
    for (const peer of this.#peers.values()) {
      if (peers.length >= LOOK_AT_MAX) break;
      peers.push(peer);
    }
    for (const peer of peers) {
      this.#peers.delete(peer.key);
      this.#peers.set(peer.key, peer);
    }
    return peers;
  }

  #add(address: Uint8Array): T {
    const key = addressKey(address);
    const peer = this.create(address.slice(), key);
    this.#peers.set(key, peer);
    return peer;
  }

  /**
   * If there are too many, forget the idle peer that has been silent for longest among those whose
   * turn it is to be looked at. @returns false if all of them have work
   */
  #makeRoom(): boolean {
    if (this.#peers.size < this.limits.peersMax) return true;
    let silent: T | undefined;
    for (const peer of this.next()) {
      if (peer.isIdle && !(silent && silent.heardUs <= peer.heardUs)) silent = peer;
    }
    if (silent) this.#forget(silent);
    return silent !== undefined;
  }

  #forget(peer: T): void {
    this.#strangers.delete(peer);
    this.#peers.delete(peer.key);
    if (this.#last === peer) this.#last = undefined;
    this.onForget(peer);
  }
}

/** Text that is equal for equal addresses: one character a byte. */
export function addressKey(address: Uint8Array): string {
  return String.fromCharCode(...address);
}

function isSame(one: Uint8Array, other: Uint8Array): boolean {
  if (one.length !== other.length) return false;
  for (let at = 0; at < one.length; at++) if (one[at] !== other[at]) return false;
  return true;
}
