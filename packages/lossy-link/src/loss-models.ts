import { LossyLinkError } from "./errors.js";
import { chanceThreshold, type Random } from "./random.js";
import { checkFields, checkInteger, checkProbability, within } from "./validation.js";

/** Decides for one datagram after the other whether it is lost. */
export interface LossModel {
  /** Asked once for each datagram, in the order in which they leave the air. */
  losesNext(nowUs: number): boolean;
}

/**
 * Losses in bursts, counted in datagrams: a channel that is either good or bad (E. N. Gilbert,
 * "Capacity of a burst-noise channel", Bell System Technical Journal 39, 1960; E. O. Elliott,
 * "Estimates of error rates for codes on burst-noise channels", BSTJ 42, 1963).
 *
 * Each datagram is lost with the rate of the present state; then the state may change. The share of
 * datagrams in the bad state is g/(g + b), the mean stay there 1/b datagrams, and the mean loss
 * (lossGood·b + lossBad·g)/(g + b), where g is `goodToBad` and b is `badToGood`. The first state is
 * drawn by that share, so that these means hold from the start.
 */
export interface BurstLoss {
  /** Probability g to turn bad after a datagram, 0..1. */
  readonly goodToBad: number;
  /** Probability b to turn good again after a datagram, 0..1. At 0 bad stays bad. */
  readonly badToGood: number;
  /** Loss in the good state, 0..1; default 0. */
  readonly lossGood?: number;
  /** Loss in the bad state, 0..1; default 1. */
  readonly lossBad?: number;
}

/**
 * The same two states, but with stays measured in time, exponentially distributed: a door that is
 * shut for a while, however many datagrams fall into that while.
 */
export interface TimedBurstLoss {
  /** Mean stay in the good state, microseconds, at least 1. */
  readonly goodUsMean: number;
  /** Mean stay in the bad state, microseconds, at least 1. */
  readonly badUsMean: number;
  /** Loss in the good state, 0..1; default 0. */
  readonly lossGood?: number;
  /** Loss in the bad state, 0..1; default 1. */
  readonly lossBad?: number;
}

/**
 * Losses as they were recorded, or as a test wants them to be. Each path is at its own place in the
 * trace.
 */
export interface ReplayedLoss {
  /**
   * One entry for each datagram, 1 for lost and 0 for passed: a list, or a string such as
   * `"0010 0100"`, in which white space does not count.
   */
  readonly trace: string | ArrayLike<number | boolean>;
  /** Whether it starts over at its end. `false`: nothing is lost any more. Default `true`. */
  readonly repeat?: boolean;
}

/** Each datagram for itself, with the same probability. */
export class IndependentLoss implements LossModel {
  readonly #threshold: number;
  readonly #random: Random;

  constructor(rate: number, random: Random) {
    this.#threshold = chanceThreshold(rate);
    this.#random = random;
  }

  losesNext(): boolean {
    return this.#random.chance(this.#threshold);
  }
}

/** See {@link BurstLoss}. */
export class GilbertElliottLoss implements LossModel {
  readonly #random: Random;
  readonly #toBad: number;
  readonly #toGood: number;
  readonly #lossGood: number;
  readonly #lossBad: number;
  #bad: boolean;

  constructor(options: BurstLoss, random: Random) {
    const { goodToBad, badToGood, lossGood = 0, lossBad = 1 } = options;
    this.#random = random;
    this.#toBad = chanceThreshold(goodToBad);
    this.#toGood = chanceThreshold(badToGood);
    this.#lossGood = chanceThreshold(lossGood);
    this.#lossBad = chanceThreshold(lossBad);
    const badShare = goodToBad === 0 ? 0 : goodToBad / (goodToBad + badToGood);
    this.#bad = random.chance(chanceThreshold(badShare));
  }

  /** The state in which the next datagram will find the channel. */
  get bad(): boolean {
    return this.#bad;
  }

  losesNext(): boolean {
    const wasBad = this.#bad;
    const lost = this.#random.chance(wasBad ? this.#lossBad : this.#lossGood);
    if (this.#random.chance(wasBad ? this.#toGood : this.#toBad)) this.#bad = !wasBad;
    return lost;
  }
}

/** See {@link TimedBurstLoss}. */
export class TimedGilbertElliottLoss implements LossModel {
  readonly #random: Random;
  readonly #goodUsMean: number;
  readonly #badUsMean: number;
  readonly #lossGood: number;
  readonly #lossBad: number;
  #bad: boolean;
  #changesAtUs: number;

  constructor(options: TimedBurstLoss, random: Random, nowUs: number) {
    const { goodUsMean, badUsMean, lossGood = 0, lossBad = 1 } = options;
    this.#random = random;
    this.#goodUsMean = goodUsMean;
    this.#badUsMean = badUsMean;
    this.#lossGood = chanceThreshold(lossGood);
    this.#lossBad = chanceThreshold(lossBad);
    this.#bad = random.chance(chanceThreshold(badUsMean / (goodUsMean + badUsMean)));
    this.#changesAtUs = nowUs + this.#stayUs();
  }

  losesNext(nowUs: number): boolean {
    while (this.#changesAtUs <= nowUs) {
      this.#bad = !this.#bad;
      this.#changesAtUs += this.#stayUs();
    }
    return this.#random.chance(this.#bad ? this.#lossBad : this.#lossGood);
  }

  /** A stay has no memory, so that the first one may begin at any moment of it. */
  #stayUs(): number {
    const meanUs = this.#bad ? this.#badUsMean : this.#goodUsMean;
    return Math.max(1, Math.round(this.#random.exponential() * meanUs));
  }
}

/** See {@link ReplayedLoss}. */
export class TraceLoss implements LossModel {
  readonly #trace: Uint8Array;
  readonly #repeat: boolean;
  #index = 0;

  constructor(options: ReplayedLoss) {
    this.#trace = parseLossTrace("replay.trace", options.trace);
    this.#repeat = options.repeat ?? true;
  }

  losesNext(): boolean {
    if (this.#index === this.#trace.length) {
      if (!this.#repeat) return false;
      this.#index = 0;
    }
    return this.#trace[this.#index++] === 1;
  }
}

/**
 * @returns one byte for each datagram, 1 for lost
 * @throws LossyLinkError `bad-trace`
 */
export function parseLossTrace(field: string, trace: ReplayedLoss["trace"]): Uint8Array {
  const entries: (string | number | boolean)[] =
    typeof trace === "string" ? [...trace.replace(/\s+/g, "")] : Array.from(trace);
  if (entries.length === 0) throw badTrace(field, "it is empty");
  const digits = entries.map((entry, index) => {
    const digit = typeof entry === "string" ? "01".indexOf(entry) : Number(entry);
    if (digit !== 0 && digit !== 1) throw badTrace(field, `entry ${index} is ${entry}`);
    return digit;
  });
  return Uint8Array.from(digits);
}

function badTrace(field: string, fault: string): LossyLinkError {
  const allowed = "a list or a string of 0 (passed) and 1 (lost), at least one of them";
  return new LossyLinkError("bad-trace", `${field} must be ${allowed}, but ${fault}.`, {
    field,
    allowed,
  });
}

/** @throws LossyLinkError */
export function checkBurst(field: string, burst: BurstLoss | TimedBurstLoss): void {
  if (typeof burst === "object" && burst !== null && "goodUsMean" in burst) {
    checkFields(field, burst, ["goodUsMean", "badUsMean", "lossGood", "lossBad"]);
    for (const name of ["goodUsMean", "badUsMean"] as const) {
      checkInteger(within(field, name), burst[name], 1, Number.MAX_SAFE_INTEGER);
    }
  } else {
    checkFields(field, burst, ["goodToBad", "badToGood", "lossGood", "lossBad"]);
    checkProbability(within(field, "goodToBad"), burst.goodToBad);
    checkProbability(within(field, "badToGood"), burst.badToGood);
  }
  checkProbability(within(field, "lossGood"), burst.lossGood ?? 0);
  checkProbability(within(field, "lossBad"), burst.lossBad ?? 1);
}

/** @throws LossyLinkError */
export function checkReplay(field: string, replay: ReplayedLoss): void {
  checkFields(field, replay, ["trace", "repeat"]);
  parseLossTrace(within(field, "trace"), replay.trace);
}
