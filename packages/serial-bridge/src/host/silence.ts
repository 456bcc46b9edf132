import { IDLE_QUESTION_US, SILENCE_US } from "../limits.js";

/** Whether the bridge is still there. @see BRIDGE.md, section 12 */
export class Silence {
  #heardUs: number;
  #overUs = Number.POSITIVE_INFINITY;

  constructor(nowUs: number) {
    this.#heardUs = nowUs;
  }

  /** When to ask for a sign of life. */
  get questionUs(): number {
    return this.#heardUs + IDLE_QUESTION_US;
  }

  /** When to give the bridge up. */
  get overUs(): number {
    return this.#overUs;
  }

  heard(nowUs: number): void {
    this.#heardUs = nowUs;
    this.#overUs = Number.POSITIVE_INFINITY;
  }

  /**
   * The first question since anything was heard counts, from when it is asked and not from when it
   * was due: a computer that slept asks first.
   * @param lineUs - time that the line needs for what is outstanding
   */
  asked(nowUs: number, lineUs: number): void {
    this.#overUs = Math.min(this.#overUs, nowUs + SILENCE_US + 2 * lineUs);
  }
}
