import type { DatagramNumber } from "./datagram-words.js";

/** Numbers that are remembered: as many as the replay window of an endpoint (PROTOCOL.md, 2.3). */
const REMEMBERED = 256;
/** A jump beyond this is not a loss: it is another session, or the recorder was not listening. */
const JUMP_MAX = 1024;
const FULL = 0x10000;

/**
 * Counts what one peer sent to us and did not arrive, from the numbers of what did: a sender counts
 * its datagrams without a hole (PROTOCOL.md, section 2.3). What was lost before the first or behind
 * the last one that arrived shows in nothing.
 */
export class NumberGaps {
  /** The complete number modulo 2^32 for each place, or -1. */
  readonly #seen = new Float64Array(REMEMBERED).fill(-1);
  #highest = -1;
  #tokenFrom = -1;
  #missing = 0;
  #duplicates = 0;

  /** Datagrams that are missing between those that arrived. */
  get missing(): number {
    return this.#missing;
  }

  /** Datagrams that arrived more than once. */
  get duplicates(): number {
    return this.#duplicates;
  }

  /** A datagram with this number has arrived. */
  add(given: DatagramNumber): void {
    if (given.form === "short") {
      if (this.#highest < 0) this.#restart(given.low);
      else this.#take(nearest(given.low, this.#highest));
      return;
    }
    const { tokenFrom, number } = given;
    // It speaks for a sender without a session, and is not numbered with the others.
    if (tokenFrom === 0) return;
    if (tokenFrom !== this.#tokenFrom) {
      this.#tokenFrom = tokenFrom;
      this.#restart(number);
    } else this.#take(number);
  }

  #take(number: number): void {
    const ahead = number - this.#highest;
    if (Math.abs(ahead) > JUMP_MAX) {
      this.#restart(number);
      return;
    }
    const place = ((number % REMEMBERED) + REMEMBERED) % REMEMBERED;
    if (ahead > 0) {
      this.#missing += ahead - 1;
      this.#highest = number;
    } else if (this.#seen[place] === number) {
      this.#duplicates++;
      return;
    } else if (ahead > -REMEMBERED && this.#missing > 0) {
      // It was only late.
      this.#missing--;
    }
    this.#seen[place] = number;
  }

  #restart(number: number): void {
    this.#seen.fill(-1);
    this.#highest = number;
    this.#seen[number % REMEMBERED] = number;
  }
}

/** The number with these low 16 bits that is nearest to another one. */
function nearest(low: number, to: number): number {
  const number = Math.floor(to / FULL) * FULL + low;
  if (number - to > FULL / 2) return number - FULL;
  return to - number > FULL / 2 ? number + FULL : number;
}
