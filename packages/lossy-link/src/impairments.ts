import { type BitFlipper, bitFlipperFor, type Corruption, checkCorruption } from "./corruption.js";
import {
  type BurstLoss,
  checkBurst,
  checkReplay,
  GilbertElliottLoss,
  IndependentLoss,
  type LossModel,
  type ReplayedLoss,
  type TimedBurstLoss,
  TimedGilbertElliottLoss,
  TraceLoss,
} from "./loss-models.js";
import { chanceThreshold, type Random } from "./random.js";
import { Timetable } from "./timetable.js";
import {
  checkFields,
  checkInteger,
  checkIntervals,
  checkProbability,
  checkUs,
  type Interval,
  within,
} from "./validation.js";

/** Some datagrams arrive twice. */
export interface Duplication {
  /** Probability of a second delivery, 0..1. */
  readonly probability: number;
  /** Least time by which the copy comes after the original, microseconds; default 0. */
  readonly delayUsMin?: number;
  /** Most time, microseconds; default `delayUsMin`. At most 2^32 above `delayUsMin`. */
  readonly delayUsMax?: number;
}

/** Some datagrams are held up, so that later ones overtake them. */
export interface Reordering {
  /** Probability to be held up, 0..1. */
  readonly probability: number;
  /** Least extra delay, microseconds; default 0. */
  readonly delayUsMin?: number;
  /** Most extra delay, microseconds. At most 2^32 above `delayUsMin`. */
  readonly delayUsMax: number;
}

/**
 * What befalls the datagrams of one direction. Whatever is left out is off.
 *
 * The steps, in this order: outage, replayed losses, bursts, independent loss (a datagram lost by
 * any of them is lost; each model sees every datagram); then delay, jitter and reordering of what
 * got through; duplication; corruption of each delivery for itself. Every step draws from its own
 * stream of random numbers. Probabilities count in steps of 2^-32.
 */
export interface Impairments {
  /** Independent loss, probability 0..1. */
  readonly loss?: number;
  /** Losses in bursts; `null` switches off what a wider setting switched on. */
  readonly burst?: BurstLoss | TimedBurstLoss | null;
  /** Losses from a recording; `null` switches it off. */
  readonly replay?: ReplayedLoss | null;
  /** Second deliveries; `null` switches it off. */
  readonly duplication?: Duplication | null;
  /** Overtaking; `null` switches it off. Nothing else changes the order of datagrams. */
  readonly reordering?: Reordering | null;
  /** Damage that arrives; `null` switches it off. */
  readonly corruption?: Corruption | null;
  /** Time from leaving the air to delivery, microseconds. */
  readonly delayUs?: number;
  /**
   * Further delay, uniform over 0..`jitterUs` microseconds (at most 2^32 − 1). Never lets a datagram
   * overtake: one that would is delivered at the same instant as the one before it.
   */
  readonly jitterUs?: number;
  /** Intervals in which nothing gets through, judged when a datagram has left the air. */
  readonly outages?: readonly Interval[];
}

/** The names of all {@link Impairments}. */
export const IMPAIRMENT_NAMES = [
  "loss",
  "burst",
  "replay",
  "duplication",
  "reordering",
  "corruption",
  "delayUs",
  "jitterUs",
  "outages",
] as const satisfies readonly (keyof Impairments)[];

/** @throws LossyLinkError - whatever is wrong with `impairments`, under the name `field` */
export function checkImpairments(field: string, impairments: Impairments): void {
  checkFields(field, impairments, IMPAIRMENT_NAMES);
  checkImpairmentValues(field, impairments);
}

/** The same for an object that also has other fields. */
export function checkImpairmentValues(field: string, impairments: Impairments): void {
  const { loss, burst, replay, corruption, outages } = impairments;
  if (loss !== undefined) checkProbability(within(field, "loss"), loss);
  if (burst != null) checkBurst(within(field, "burst"), burst);
  if (replay != null) checkReplay(within(field, "replay"), replay);
  if (corruption != null) checkCorruption(within(field, "corruption"), corruption);
  if (outages !== undefined) checkIntervals(within(field, "outages"), outages);
  for (const name of ["duplication", "reordering"] as const) {
    const option = impairments[name];
    if (option != null) checkSometimesLate(within(field, name), option);
  }
  checkUs(within(field, "delayUs"), impairments.delayUs ?? 0);
  checkInteger(within(field, "jitterUs"), impairments.jitterUs ?? 0, 0, 0xffff_ffff);
}

function checkSometimesLate(field: string, option: Duplication | Reordering): void {
  checkFields(field, option, ["probability", "delayUsMin", "delayUsMax"]);
  const { probability, delayUsMin = 0, delayUsMax = delayUsMin } = option;
  checkProbability(within(field, "probability"), probability);
  checkUs(within(field, "delayUsMin"), delayUsMin);
  checkInteger(within(field, "delayUsMax"), delayUsMax, delayUsMin, delayUsMin + 0xffff_ffff);
}

/** The fields of all layers; where several have a field, that of the last one that has it counts. */
export function mergeImpairments(...layers: readonly Impairments[]): Impairments {
  const merged: Record<string, unknown> = {};
  for (const layer of layers) {
    for (const name of IMPAIRMENT_NAMES) {
      if (layer[name] !== undefined) merged[name] = layer[name];
    }
  }
  return merged;
}

/** Draws whether something happens, and by how much it is late then. */
class SometimesLate {
  readonly #random: Random;
  readonly #threshold: number;
  readonly #delayUsMin: number;
  readonly #delayUsMax: number;

  constructor(options: Duplication | Reordering, random: Random) {
    this.#random = random;
    this.#threshold = chanceThreshold(options.probability);
    this.#delayUsMin = options.delayUsMin ?? 0;
    this.#delayUsMax = options.delayUsMax ?? this.#delayUsMin;
  }

  /** @returns microseconds, or -1 if it does not happen */
  next(): number {
    if (!this.#random.chance(this.#threshold)) return -1;
    return this.#random.integer(this.#delayUsMin, this.#delayUsMax);
  }
}

/** What became of a datagram on its way, before it is copied or damaged. */
export type Passage = "passes" | "lost" | "outage";

/**
 * {@link Impairments} at work in one direction, for one datagram after the other: `judge` it when it
 * has left the air; if it passes, ask once for `arrivalUs`, `heldUpUs` and `copyDelayUs`, and let
 * `corrupt` have each delivery.
 */
export class ImpairmentPipeline {
  readonly #random: Random;
  /** Made when first drawn from: few paths need any. */
  #streams: Map<string, Random> | undefined;
  #settings: Impairments = {};
  #replay: TraceLoss | undefined;
  #burst: LossModel | undefined;
  #loss: IndependentLoss | undefined;
  #outages: Timetable | undefined;
  #reordering: SometimesLate | undefined;
  #duplication: SometimesLate | undefined;
  #flipper: BitFlipper | undefined;
  #delayUs = 0;
  #jitterUs = 0;
  #jitter: Random | undefined;
  #latestArrivalUs = 0;

  /** @param random - of this direction; each step takes its own stream from it */
  constructor(random: Random) {
    this.#random = random;
  }

  /**
   * Sets or changes what happens. Loss models whose options are still the same objects go on where
   * they are; new ones start afresh. No random number is drawn a second time.
   */
  configure(next: Impairments, nowUs: number): void {
    const { loss = 0, burst, replay, reordering, duplication, corruption, outages } = next;
    if (replay !== this.#settings.replay) {
      this.#replay = replay ? new TraceLoss(replay) : undefined;
    }
    if (burst !== this.#settings.burst) {
      this.#burst = burst ? burstModel(burst, this.#stream("burst"), nowUs) : undefined;
    }
    this.#loss = loss > 0 ? new IndependentLoss(loss, this.#stream("loss")) : undefined;
    this.#outages = outages?.length ? new Timetable(outages) : undefined;
    this.#reordering = reordering
      ? new SometimesLate(reordering, this.#stream("reordering"))
      : undefined;
    this.#duplication = duplication
      ? new SometimesLate(duplication, this.#stream("duplication"))
      : undefined;
    this.#flipper = corruption ? bitFlipperFor(corruption, this.#stream("corruption")) : undefined;
    this.#delayUs = next.delayUs ?? 0;
    this.#jitterUs = next.jitterUs ?? 0;
    this.#settings = next;
  }

  /** @param nowUs - the instant at which it left the air; never decreases */
  judge(nowUs: number): Passage {
    // All are asked, whatever the first one says: each has to see every datagram.
    const lostAsRecorded = this.#replay?.losesNext() ?? false;
    const lostInBurst = this.#burst?.losesNext(nowUs) ?? false;
    const lostAlone = this.#loss?.losesNext() ?? false;
    if (this.#outages?.covers(nowUs)) return "outage";
    return lostAsRecorded || lostInBurst || lostAlone ? "lost" : "passes";
  }

  /** When a datagram that left the air at `leftAtUs` is delivered in its turn, microseconds. */
  arrivalUs(leftAtUs: number): number {
    let arrivalUs = leftAtUs + this.#delayUs;
    if (this.#jitterUs > 0) {
      this.#jitter ??= this.#stream("jitter");
      arrivalUs += this.#jitter.integer(0, this.#jitterUs);
    }
    if (arrivalUs < this.#latestArrivalUs) arrivalUs = this.#latestArrivalUs;
    this.#latestArrivalUs = arrivalUs;
    return arrivalUs;
  }

  /** For how long it is held up after that, while others pass, microseconds; -1 if it is not. */
  heldUpUs(): number {
    return this.#reordering?.next() ?? -1;
  }

  /** By how much a second delivery comes after the first, microseconds; -1 if there is none. */
  copyDelayUs(): number {
    return this.#duplication?.next() ?? -1;
  }

  /** @returns whether bits of the datagram were flipped */
  corrupt(datagram: Uint8Array): boolean {
    return this.#flipper?.flip(datagram) ?? false;
  }

  #stream(label: string): Random {
    this.#streams ??= new Map();
    let stream = this.#streams.get(label);
    if (stream === undefined) {
      stream = this.#random.stream(label);
      this.#streams.set(label, stream);
    }
    return stream;
  }
}

function burstModel(burst: BurstLoss | TimedBurstLoss, random: Random, nowUs: number): LossModel {
  return "goodUsMean" in burst
    ? new TimedGilbertElliottLoss(burst, random, nowUs)
    : new GilbertElliottLoss(burst, random);
}
