import { ASK, type Ask } from "../wire/head.js";

/** Spacing assumed until two consecutive datagrams have shown it, microseconds. */
const FIRST_SPACING_US = 5000;
/** Two datagrams further apart than this do not belong to one burst, microseconds. */
const BURST_GAP_US = 1_000_000;
/** An empty ask-me datagram goes out after so many numbers without an ack; PROTOCOL.md, section 6. */
export const QUIET_NUMBERS_MAX = 512;

/**
 * When this side sends an ack: at once when asked, soon when an announced question does not come,
 * later when nobody asks. PROTOCOL.md, section 6.
 */
export class AckPolicy {
  /** Instant at which an ack is due because it was asked for, or would have been by a lost datagram. */
  #askedUs = Number.POSITIVE_INFINITY;
  /** Instant at which silence has lasted so long that nobody will ask. */
  #quietUs = Number.POSITIVE_INFINITY;
  /** Number of the datagram that asked for an ack now, or -1. */
  #promptNumber = -1;
  #spacingUs = FIRST_SPACING_US;
  #lastNumber = -1;
  #lastArrivalUs = 0;
  #isBurst = false;

  constructor(readonly delayUs: number) {}

  /** Instant at which an ack is due; `Infinity`: none is owed. */
  get dueUs(): number {
    return Math.min(this.#askedUs, this.#quietUs);
  }

  /** A new datagram has arrived; `elicits`: it holds a frame that must be acknowledged. */
  noteArrival(number: number, ask: Ask, elicits: boolean, nowUs: number): void {
    if (this.#isBurst && number === this.#lastNumber + 1)
      this.#measure(nowUs - this.#lastArrivalUs);
    if (number > this.#lastNumber) {
      this.#lastNumber = number;
      this.#lastArrivalUs = nowUs;
    }
    this.#isBurst = ask !== ASK.now;
    if (ask === ASK.now) {
      this.#promptNumber = number;
      this.#askedUs = nowUs;
    } else if (ask !== ASK.none) {
      const spacings = (ask === ASK.next ? 1 : 2) + 0.125;
      this.#askedUs = nowUs + Math.ceil(spacings * this.#spacingUs);
    } else if (elicits) {
      // While datagrams keep coming their sender is about to ask; only silence shows that it is not.
      this.#quietUs = nowUs + this.delayUs;
    }
  }

  /** An ack is wanted for another reason: the window has opened, a message was refused. */
  request(nowUs: number): void {
    this.#askedUs = Math.min(this.#askedUs, nowUs);
  }

  /** Whether an ack written now answers the datagram that asked, which was the greatest so far. */
  isPrompt(largest: number): boolean {
    return this.#promptNumber === largest;
  }

  noteSent(): void {
    this.#askedUs = this.#quietUs = Number.POSITIVE_INFINITY;
    this.#promptNumber = -1;
    this.#isBurst = false;
  }

  #measure(spacingUs: number): void {
    if (spacingUs < BURST_GAP_US) this.#spacingUs += (spacingUs - this.#spacingUs) / 4;
  }
}
