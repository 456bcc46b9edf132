/** Never assume a timer finer than this, microseconds (RFC 9002, section 6.1.2: kGranularity). */
export const GRANULARITY_US = 1000;

/**
 * Smoothed round trip and its variation, microseconds; RFC 6298, section 2, in the order of
 * RFC 9002, appendix A.7: the variation first, from the old mean.
 */
export class RoundTrip {
  #smoothed = 0;
  #variation = 0;
  latestUs = 0;
  /** Smallest sample of the session. */
  leastUs = Number.POSITIVE_INFINITY;

  get isMeasured(): boolean {
    return this.latestUs > 0;
  }

  get smoothedUs(): number {
    return Math.round(this.#smoothed);
  }

  get variationUs(): number {
    return Math.round(this.#variation);
  }

  /** Begin anew with the next sample. */
  forget(): void {
    this.latestUs = 0;
  }

  addSample(sampleUs: number): void {
    const sample = Math.max(1, sampleUs);
    if (!this.isMeasured) {
      this.#smoothed = sample;
      this.#variation = sample / 2;
    } else {
      this.#variation += (Math.abs(this.#smoothed - sample) - this.#variation) / 4;
      this.#smoothed += (sample - this.#smoothed) / 8;
    }
    this.latestUs = sample;
    this.leastUs = Math.min(this.leastUs, sample);
  }

  /** Wait for an ack before asking again: RFC 6298's RTO without its floor of 1 s; PROTOCOL.md, 7.4. */
  get retryUs(): number {
    return Math.ceil(this.#smoothed + Math.max(GRANULARITY_US, 4 * this.#variation));
  }
}
