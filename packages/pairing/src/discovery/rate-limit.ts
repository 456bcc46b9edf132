/**
 * So many in a row, so many a second on average.
 *
 * Keeps one number, the theoretical arrival time of the generic cell rate algorithm (ITU-T I.371, from
 * memory).
 */
export class RateLimit {
  readonly #intervalUs: number;
  readonly #burstUs: number;
  #dueUs = 0;

  /**
   * @param perSecond - on average
   * @param inARow - at once, after a pause
   */
  constructor(perSecond: number, inARow: number) {
    this.#intervalUs = 1_000_000 / perSecond;
    this.#burstUs = (inARow - 1) * this.#intervalUs;
  }

  /** Whether one more may go now; if so it counts. */
  take(nowUs: number): boolean {
    if (this.#dueUs - nowUs > this.#burstUs) return false;
    this.#dueUs = Math.max(this.#dueUs, nowUs) + this.#intervalUs;
    return true;
  }
}
