import { sameBytes } from "../host/same-bytes.js";

/** What the radio's table needs before a datagram goes out. */
export interface Admission {
  /** Whether the address must be put in. */
  readonly isNew: boolean;
  /** Which one must be put out before, if any. */
  readonly putOut: Uint8Array | undefined;
}

const PRESENT: Admission = { isNew: false, putOut: undefined };

/**
 * What is in the radio's table of peers. When it is full, the address that was sent to longest ago
 * makes room.
 *
 * @see BRIDGE.md, section 9
 */
export class PeerTable {
  readonly #peersMax: number;
  readonly #broadcast: Uint8Array | undefined;
  /** The one sent to longest ago first. 20 places or so: looking through them is cheap. */
  readonly #addresses: Uint8Array[] = [];
  #putOutCount = 0;

  /**
   * @param peersMax - places; 0: the radio needs no table
   * @param broadcast - the address that is never put out
   */
  constructor(peersMax: number, broadcast: Uint8Array | undefined) {
    this.#peersMax = peersMax;
    this.#broadcast = broadcast;
  }

  /** How many addresses were put out to make room. */
  get putOutCount(): number {
    return this.#putOutCount;
  }

  /**
   * A datagram is about to go to this address.
   * @param isInUse - whether a datagram to that address is with the radio
   * @returns `undefined` if nobody can make room now; nothing has changed then
   */
  admit(address: Uint8Array, isInUse: (address: Uint8Array) => boolean): Admission | undefined {
    if (this.#peersMax === 0) return PRESENT;
    const index = this.#addresses.findIndex((known) => sameBytes(known, address));
    if (index >= 0) {
      this.#addresses.push(...this.#addresses.splice(index, 1));
      return PRESENT;
    }
    if (this.#addresses.length < this.#peersMax) {
      this.#addresses.push(address.slice());
      return { isNew: true, putOut: undefined };
    }
    const oldest = this.#addresses.findIndex((known) => !this.#isKept(known) && !isInUse(known));
    if (oldest < 0) return undefined;
    const [putOut] = this.#addresses.splice(oldest, 1);
    this.#putOutCount++;
    this.#addresses.push(address.slice());
    return { isNew: true, putOut };
  }

  #isKept(address: Uint8Array): boolean {
    return this.#broadcast !== undefined && sameBytes(this.#broadcast, address);
  }
}
