/** Datagrams between two acks that make a judgement worth while. */
const SAMPLE_MIN = 32;
/** A link that takes longer than this for a datagram waits for its medium, and cannot be overrun. */
const SELF_PACED_US = 300;
/** Between two datagrams at most, however slow the pace. */
const ROUND_TRIPS_MAX = 8;
/** Judgements after a trial in vain before the next one. */
const REST_ACKS = 32;

/**
 * Slows down only if that does no harm: loss alone is no reason, but a link that swallows more
 * than three quarters of a burst is tried at the pace at which it delivered. PROTOCOL.md, section 7.5.
 */
export class Pacer {
  /** Time between two datagrams with data, microseconds; 0: as fast as the link takes them. */
  intervalUs = 0;
  /** Instant at which something held back may go; `Infinity`: nothing is held back. */
  wakeUs = Number.POSITIVE_INFINITY;
  #nextUs = 0;
  #isTrial = false;
  #trialRate = 0;
  #rest = 0;
  #lastLargest = -1;
  /** When the first datagram since the last judgement went out; -1: none yet. */
  #burstUs = -1;
  #lost = 0;

  /** Whether data must wait; asks to be woken if so. */
  holds(nowUs: number): boolean {
    if (this.intervalUs === 0 || nowUs >= this.#nextUs) return false;
    this.wakeUs = this.#nextUs;
    return true;
  }

  /**
   * @param roundTripUs - smoothed round trip. One datagram in several of them overruns nothing, however
   * badly the rate was measured, for instance across an outage.
   */
  noteSent(nowUs: number, roundTripUs = Number.POSITIVE_INFINITY): void {
    if (this.#burstUs < 0) this.#burstUs = nowUs;
    const intervalUs = Math.round(Math.min(this.intervalUs, ROUND_TRIPS_MAX * roundTripUs));
    this.#nextUs = Math.max(nowUs, this.#nextUs) + intervalUs;
  }

  /** So many that had been taken for lost have arrived all the same. */
  noteMistaken(count: number): void {
    this.#lost = Math.max(0, this.#lost - count);
    if (!this.#isTrial) return;
    this.#isTrial = false;
    this.intervalUs = 0;
    this.wakeUs = Number.POSITIVE_INFINITY;
  }

  noteTime(nowUs: number): void {
    if (this.wakeUs <= nowUs) this.wakeUs = Number.POSITIVE_INFINITY;
  }

  /**
   * An ack has judged everything up to `largest`, and found `lost` of it lost.
   * @param spacingUs - time the link takes for a datagram; if it tells, the link paces by itself
   */
  noteAck(largest: number, lost: number, spacingUs: number, nowUs: number): void {
    if (spacingUs > SELF_PACED_US && this.intervalUs === 0) return;
    const sent = largest - this.#lastLargest;
    const isFirst = this.#lastLargest < 0;
    this.#lost += lost;
    if (!isFirst && sent < SAMPLE_MIN) return;
    const elapsedUs = nowUs - this.#burstUs;
    if (!isFirst && this.#burstUs >= 0 && elapsedUs > 0)
      this.#judge(sent, Math.min(sent, this.#lost), elapsedUs);
    this.#lastLargest = largest;
    this.#burstUs = -1;
    this.#lost = 0;
  }

  #judge(sent: number, lost: number, elapsedUs: number): void {
    const rate = (sent - lost) / elapsedUs;
    if (this.#isTrial) {
      this.#isTrial = false;
      // Overflow is gone at the pace of delivery; the losses of a bad channel are not.
      const wasOverflow = lost * 10 < sent && rate > this.#trialRate * 0.75;
      if (!wasOverflow) this.#stop();
    } else if (this.intervalUs > 0) {
      if (lost * 4 > sent) this.#stop();
      else if (lost * 10 > sent) this.intervalUs *= 9 / 8;
      else if (lost * 20 < sent) this.intervalUs *= 15 / 16;
    } else if (this.#rest > 0) {
      this.#rest--;
    } else if (lost * 4 > sent * 3 && rate > 0) {
      this.#isTrial = true;
      this.#trialRate = rate;
      this.intervalUs = 1 / rate;
    }
  }

  #stop(): void {
    this.intervalUs = 0;
    this.#rest = REST_ACKS;
  }
}
