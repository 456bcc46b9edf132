import type { Random } from "@fardel/lossy-link";
import type { IntrusionPlan } from "./scenario.js";

/** Of the first datagrams, with which sessions open, and of the last ones, so many each. */
const KEPT = 40;
/** Bytes that grow at the end of a datagram at most. */
const GROWTH_MAX = 40;

/** A datagram that somebody has kept. */
export interface Kept {
  readonly from: Uint8Array;
  readonly datagram: Uint8Array;
  /** Boot of its receiver, counted from 0. */
  readonly boot: number;
}

/** What an eavesdropper, or a slow detour, has of all that went by. */
export class Keepsake {
  readonly #first: Kept[] = [];
  readonly #last: Kept[] = [];

  keep(from: Uint8Array, datagram: Uint8Array, boot = 0): void {
    const kept = { from: from.slice(), datagram: datagram.slice(), boot };
    if (this.#first.length < KEPT) this.#first.push(kept);
    else this.#last.push(kept);
    if (this.#last.length > KEPT) this.#last.shift();
  }

  /** @param age - 0: the oldest, to 1 */
  pick(age: number): Kept | undefined {
    const all = [...this.#first, ...this.#last];
    return all[Math.min(all.length - 1, Math.floor(age * all.length))];
  }
}

/** A copy, changed as the plan says. */
export function changed(
  datagram: Uint8Array,
  change: IntrusionPlan["change"],
  random: Random,
): Uint8Array {
  const { length } = datagram;
  switch (change) {
    case "none":
      return datagram.slice();
    case "cut":
      return datagram.slice(0, random.integer(0, length - 1));
    case "flip": {
      const copy = datagram.slice();
      const at = random.integer(0, length - 1);
      copy[at] = (copy[at] ?? 0) ^ (1 << random.integer(0, 7));
      return copy;
    }
    case "grow": {
      const copy = new Uint8Array(length + random.integer(1, GROWTH_MAX));
      copy.set(datagram);
      return copy;
    }
    case "random":
      return Uint8Array.from({ length: random.integer(1, length + 1) }, () => random.uint32());
  }
}
