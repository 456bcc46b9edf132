import type { LinkModel } from "./link-model.js";
import { WIRE } from "./wire-bytes.js";

/** What some ends of bursts cost together, on the mean. */
export interface Stops {
  readonly us: number;
  readonly varianceUs2: number;
  readonly acks: number;
  readonly probes: number;
}

export function sumOf(stops: readonly Stops[], key: keyof Stops): number {
  return stops.reduce((sum, stop) => sum + stop[key], 0);
}

/** Datagrams before a question that announce it; PROTOCOL.md, section 6. */
export const ANNOUNCED = 2;
/** RFC 9002, section 6.1.2, and PROTOCOL.md, section 7.4. */
const GRANULARITY_US = 1_000;
/** Interval of probes while no round trip is known: at least this; PROTOCOL.md, section 7.4. */
const UNMEASURED_US = 3_000;
/**
 * Where the radio repeats by itself, a question can come later than its announcement says, and an
 * ack is sent before it: measured with the simulation, so many acks for each question and lost
 * transmission.
 */
const EARLY_ACKS = 4;

/** What passes from the end of a burst until its sender knows what has arrived. */
export class Feedback {
  /** One ack on air, one probe, microseconds. */
  readonly ackUs: number;
  readonly probeUs: number;
  /** From the end of a burst to its ack if nothing is lost. */
  readonly plainUs: number;
  /** The same if the ack does not come and probes have to ask, on the mean. */
  readonly lateUs: number;
  readonly ackBytes: number;
  readonly probeBytes: number;
  readonly #loss: number;
  readonly #announcedUs: number;
  readonly #cycleUs: number;
  readonly #earlyAcks: number;
  readonly #varianceUs2: number;

  constructor(link: LinkModel, window: number, rounds: number) {
    const { mtuBytes, datagramLoss: loss, delayUs } = link;
    this.#loss = loss;
    // Of the map only what lies beyond the first gap is sent: half of it, on the mean.
    const mapBytes = loss > 0 ? Math.min(WIRE.ackMapMax, Math.ceil(window / 16)) : 0;
    this.ackBytes = Math.min(mtuBytes, WIRE.short + WIRE.ack + mapBytes);
    this.ackUs = link.datagramUs(this.ackBytes);
    this.plainUs = this.ackUs + 2 * delayUs;
    this.probeBytes = mtuBytes <= WIRE.probeFragment ? mtuBytes : WIRE.short;
    this.probeUs = link.datagramUs(this.probeBytes);
    this.#announcedUs = (loss * link.datagramUs(mtuBytes)) / 8;
    this.#earlyAcks = link.transmissions > 1 ? EARLY_ACKS * link.loss * (1 - 1 / window) : 0;
    this.#varianceUs2 = link.varianceUs2(this.ackBytes);
    // RFC 6298: the variation begins at half the round trip; here it shrinks by a quarter with each
    // sample, since all are alike. Mean over the rounds.
    const variation = (1 - 0.75 ** rounds) / (0.25 * rounds) / 2;
    const retryUs = this.plainUs + Math.max(GRANULARITY_US, 4 * variation * this.plainUs);
    this.#cycleUs = this.probeUs + retryUs;
    this.lateUs = retryUs + (this.#probesIfAny - 1) * this.#cycleUs + this.probeUs + this.plainUs;
  }

  /**
   * @param triggered - probability that the receiver has reason to send an ack
   * @param times - how many such ends there are
   */
  after(triggered: number, times: number): Stops {
    const loss = this.#loss;
    const atOnce = triggered * (1 - loss);
    const probes = (1 - atOnce) * this.#probesIfAny;
    const perProbe = (1 - loss) ** 2;
    const soonUs = this.plainUs + this.#announcedUs + this.#earlyAcks * this.ackUs;
    const cyclesUs2 = ((1 - perProbe) / perProbe ** 2) * this.#cycleUs ** 2;
    const spreadUs2 = atOnce * (1 - atOnce) * (this.lateUs - this.plainUs) ** 2;
    const earlyUs2 = this.#earlyAcks * this.ackUs ** 2 + this.#varianceUs2;
    return {
      us: times * (atOnce * soonUs + (1 - atOnce) * this.lateUs),
      varianceUs2: times * ((1 - atOnce) * cyclesUs2 + spreadUs2 + earlyUs2),
      acks: times * (triggered + this.#earlyAcks + probes * (1 - loss)),
      probes: times * probes,
    };
  }

  /**
   * Probes that are sent in vain, once, because the link is slower than the first guess: the smallest
   * datagrams have no room for an ack in the answer, so that the round trip is not known yet.
   */
  needlessProbes(mtuBytes: number): number {
    const answerBytes = WIRE.long + WIRE.hello + WIRE.ack;
    if (mtuBytes >= answerBytes) return 0;
    return Math.floor(this.plainUs / (UNMEASURED_US + this.probeUs));
  }

  /** A probe and its answer both have to get through. */
  get #probesIfAny(): number {
    return 1 / (1 - this.#loss) ** 2;
  }
}

/**
 * Probability that the end of a burst of which some datagram was lost calls for an ack: one of the
 * last three has to arrive.
 */
export function triggeredIfLost(loss: number, burst: number): number {
  if (loss === 0) return 1;
  const sent = Math.max(1, burst);
  return 1 - loss ** Math.min(ANNOUNCED + 1, sent) / (1 - (1 - loss) ** sent);
}
