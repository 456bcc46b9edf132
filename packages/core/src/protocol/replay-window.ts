/** Numbers below the highest that are still told apart, bits; PROTOCOL.md, section 2.3. */
export const REPLAY_WINDOW = 256;
const WORDS = REPLAY_WINDOW / 32;
/** How far ahead of the highest a short datagram's number may lie. */
export const AHEAD_MAX = 1024;

/**
 * The datagram numbers received in one session: completes short ones, and takes each once.
 * (The sliding window of RFC 4303, section 3.4.3, in the ring form of RFC 6479.)
 */
export class ReplayWindow {
  /** Greatest number taken; -1 before the first. */
  highest = -1;
  readonly #seen = new Uint32Array(WORDS);

  /** The complete number for the low 16 bits, or -1 if none is near enough. */
  complete(low: number): number {
    if (this.highest < 0) return -1;
    const ahead = (low - this.highest) & 0xffff;
    if (ahead <= AHEAD_MAX) return this.highest + ahead;
    const behind = 0x10000 - ahead;
    return behind < REPLAY_WINDOW ? this.highest - behind : -1;
  }

  /** Whether the number is new: not taken before, and not too old to tell. */
  isNew(number: number): boolean {
    if (number > this.highest) return true;
    if (this.highest - number >= REPLAY_WINDOW) return false;
    return ((this.#word(number) >>> (number & 31)) & 1) === 0;
  }

  /** Take a number for which {@link isNew} holds. */
  take(number: number): void {
    if (number > this.highest) this.#advance(number);
    this.#seen[(number >>> 5) % WORDS] = this.#word(number) | (1 << (number & 31));
  }

  #word(number: number): number {
    return this.#seen[(number >>> 5) % WORDS] as number;
  }

  /** Clear what the ring will reuse between the old highest number and the new one. */
  #advance(number: number): void {
    const from = this.highest < 0 ? number : this.highest + 1;
    if (number - from >= REPLAY_WINDOW || this.highest < 0) {
      this.#seen.fill(0);
    } else {
      for (let n = from; n <= number; n++) {
        this.#seen[(n >>> 5) % WORDS] = this.#word(n) & ~(1 << (n & 31));
      }
    }
    this.highest = number;
  }
}
