import type { RandomBytes } from "./agreement.js";

/** First wait for the next step, and the longest. PROTOCOL.md, section 16.3. */
const FIRST_US = 200_000;
const LONGEST_US = 1_000_000;
const GROWTH = 1.5;

/** When the initiator says its last message again: after 200 ms, then half as long again up to 1 s, each drawn from 75 to 125 %. */
export class RepeatTimer {
  readonly #random: RandomBytes;
  #waitUs = FIRST_US;
  /** Instant of the next repeat; `Infinity`: none. */
  atUs = Number.POSITIVE_INFINITY;

  constructor(random: RandomBytes) {
    this.#random = random;
  }

  /** A new message was said. */
  start(nowUs: number): void {
    this.#waitUs = FIRST_US;
    this.#draw(nowUs);
  }

  /** It was said again. */
  next(nowUs: number): void {
    this.#waitUs = Math.min(LONGEST_US, this.#waitUs * GROWTH);
    this.#draw(nowUs);
  }

  stop(): void {
    this.atUs = Number.POSITIVE_INFINITY;
  }

  #draw(nowUs: number): void {
    const [high = 0, low = 0] = this.#random(2);
    const share = 0.75 + (high * 256 + low) / 131_072;
    this.atUs = nowUs + Math.round(this.#waitUs * share);
  }
}
