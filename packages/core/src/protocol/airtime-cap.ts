/** The bucket holds this much time at most, microseconds. */
const BUCKET_US = 1_000_000;

/** Keeps the share of time on air below a cap (duty cycle): a token bucket; PROTOCOL.md, section 7.5. */
export class AirtimeCap {
  #availableUs: number;
  #filledUs = 0;

  /** @param share - above 0, at most 1 (no cap) */
  constructor(readonly share: number) {
    this.#availableUs = BUCKET_US * share;
  }

  /** Instant from which the next datagram may go. */
  readyUs(nowUs: number): number {
    if (this.share >= 1) return nowUs;
    this.#fill(nowUs);
    return this.#availableUs > 0 ? nowUs : nowUs + Math.ceil((1 - this.#availableUs) / this.share);
  }

  /** A datagram goes out. It may overdraw the bucket once: none is ever too long to be sent. */
  spend(airtimeUs: number, nowUs: number): void {
    if (this.share >= 1) return;
    this.#fill(nowUs);
    this.#availableUs -= airtimeUs;
  }

  #fill(nowUs: number): void {
    const gained = Math.max(0, nowUs - this.#filledUs) * this.share;
    this.#availableUs = Math.min(BUCKET_US * this.share, this.#availableUs + gained);
    this.#filledUs = nowUs;
  }
}
