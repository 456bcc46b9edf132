import { Random } from "@fardel/lossy-link";

/** Draws with a name of their own, so that switching one thing off shifts nothing else. */
export class Dice {
  readonly #random: Random;

  constructor(seed: number, label: string) {
    this.#random = new Random(seed).stream(label);
  }

  chance(probability: number): boolean {
    return this.#random.uniform() < probability;
  }

  integer(min: number, max: number): number {
    return this.#random.integer(min, Math.max(min, max));
  }

  /** Every doubling between the two is as likely as the next. Whole numbers; no logarithm, whose last
   * bits are left to the engine. */
  scaled(min: number, max: number): number {
    let doublings = 1;
    for (let top = 2 * min; top < max; top *= 2) doublings++;
    let low = min;
    for (let left = this.#random.integer(0, doublings - 1); left > 0; left--) low *= 2;
    return Math.min(max, this.#random.integer(Math.round(low), Math.round(2 * low)));
  }

  between(min: number, max: number): number {
    return min + this.#random.uniform() * (max - min);
  }

  pick<T>(items: readonly T[]): T {
    return items[this.#random.integer(0, items.length - 1)] as T;
  }
}

export const SECOND = 1_000_000;
