/**
 * The smallest of the values that at least this share of them does not exceed (nearest rank).
 * @param sorted - ascending
 * @param share - above 0, at most 1
 * @returns `undefined` if there are no values
 */
export function percentileOf(sorted: ArrayLike<number>, share: number): number | undefined {
  return sorted[Math.max(0, Math.ceil(share * sorted.length) - 1)];
}

/**
 * The least value, then each percentile by nearest rank up to the greatest value: 101 numbers, or
 * none if there are no values.
 * @param sorted - ascending
 */
export function percentilesOf(sorted: ArrayLike<number>): number[] {
  if (sorted.length === 0) return [];
  return Array.from({ length: 101 }, (_, hundredth) => {
    // Whole numbers until the division: 0.07 · 100 is more than 7, and would be one rank too high.
    const rank = Math.ceil((hundredth * sorted.length) / 100);
    return sorted[Math.max(0, rank - 1)]!;
  });
}

/** Numbers that grow in number, in little memory. */
export class Samples {
  #values = new Float64Array(64);
  #length = 0;

  get length(): number {
    return this.#length;
  }

  add(value: number): void {
    if (this.#length === this.#values.length) {
      const larger = new Float64Array(2 * this.#length);
      larger.set(this.#values);
      this.#values = larger;
    }
    this.#values[this.#length++] = value;
  }

  /** All of them, ascending. */
  sorted(): Float64Array {
    return this.#values.slice(0, this.#length).sort();
  }
}
