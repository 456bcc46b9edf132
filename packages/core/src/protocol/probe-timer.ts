import type { RoundTrip } from "./round-trip.js";

/** Limits of the retry interval; PROTOCOL.md, section 7.4. */
export interface ProbeLimits {
  readonly firstRetryUs: number;
  readonly retryUsMax: number;
  readonly unreachableUs: number;
}

/** Never repeat faster than this before a round trip to this very peer is known, microseconds. */
const UNMEASURED_RETRY_US_MIN = 3000;
/** A link that says "sent" faster than this does not wait for its medium: its word tells no speed. */
export const TELLING_SEND_US_MIN = 300;

/**
 * When to ask again because an ack stays out. The clock starts when the link has let the datagram
 * that asked leave. PROTOCOL.md, section 7.4.
 */
export class ProbeTimer {
  /** Number of the last datagram that asked and is not answered, or -1. */
  awaited = -1;
  /** Probes sent since anything was heard. */
  count = 0;
  #startUs = Number.POSITIVE_INFINITY;
  #askedUs = 0;
  /** How long the link took to let the last question leave, microseconds. */
  #sendUs = 0;
  #jitter = 0;
  #waitingSinceUs = 0;
  #heardUs = Number.NEGATIVE_INFINITY;

  constructor(
    readonly limits: ProbeLimits,
    readonly roundTrip: RoundTrip,
    /** Smoothed round trip of other peers on this link, microseconds, 0 if there is none. */
    readonly linkRoundTripUs: () => number,
    readonly random: () => number,
  ) {}

  /** Instant at which a probe is due. */
  get dueUs(): number {
    return this.awaited < 0
      ? Number.POSITIVE_INFINITY
      : this.#startUs + this.intervalUs(this.count);
  }

  /** Instant at which a silent peer is given up. */
  get unreachableUs(): number {
    if (this.awaited < 0) return Number.POSITIVE_INFINITY;
    return Math.max(this.#waitingSinceUs, this.#heardUs) + this.limits.unreachableUs;
  }

  /**
   * Retry interval after so many probes in vain. The first few are alike, since loss is likelier than
   * a slow link; then it doubles, with a measured round trip only after every second one.
   */
  intervalUs(count: number): number {
    const late = Math.max(0, count - 3);
    const doublings = Math.min(40, this.roundTrip.isMeasured ? late >> 1 : late);
    const interval = Math.min(this.limits.retryUsMax, this.#baseUs() * 2 ** doublings);
    // Two that fell silent at the same moment must not ask in step for ever.
    return Math.ceil(count > 0 ? interval * (1 + this.#jitter / 8) : interval);
  }

  #baseUs(): number {
    if (this.roundTrip.isMeasured) return this.roundTrip.retryUs;
    const borrowed = this.linkRoundTripUs();
    if (borrowed > 0) return Math.max(UNMEASURED_RETRY_US_MIN, 3 * borrowed);
    if (this.#sendUs < TELLING_SEND_US_MIN) return this.limits.firstRetryUs;
    return Math.min(
      this.limits.firstRetryUs,
      Math.max(UNMEASURED_RETRY_US_MIN, 2.5 * this.#sendUs),
    );
  }

  /** Datagram `number` asks for an ack and was handed to the link. */
  noteAsked(number: number, nowUs: number): void {
    if (this.awaited < 0) this.#waitingSinceUs = nowUs;
    this.awaited = number;
    this.#askedUs = nowUs;
    this.#startUs = Number.POSITIVE_INFINITY;
  }

  /** The link is done with datagram `number`. */
  noteLeft(number: number, nowUs: number): void {
    if (number !== this.awaited) return;
    this.#sendUs = nowUs - this.#askedUs;
    this.restart(nowUs);
  }

  /** Begin to count anew, for instance after the link was down. */
  restart(nowUs: number): void {
    this.#startUs = nowUs;
    this.#jitter = this.random() / 2 ** 32;
  }

  noteLinkUp(nowUs: number): void {
    this.#waitingSinceUs = nowUs;
    if (this.awaited >= 0) this.restart(nowUs);
  }

  /** A valid datagram came from the peer. */
  noteHeard(nowUs: number): void {
    this.count = 0;
    this.#heardUs = nowUs;
  }

  /** Everything up to `largest` has been answered. */
  noteAnswered(largest: number): void {
    if (largest >= this.awaited) this.awaited = -1;
  }
}
