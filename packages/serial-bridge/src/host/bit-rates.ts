import { SerialBridgeError } from "../errors.js";
import { ANSWER_US } from "../limits.js";

/**
 * Bit rates that are tried when none is given: first what boards are mostly set to when they are new
 * and what nearly all serial adapters can do, then the fastest first (common practice, no source).
 */
export const BIT_RATES: readonly number[] = [115_200, 921_600, 460_800, 230_400, 57_600];

/** How long a rate is tried only to say that something would have answered there. */
const HINT_US = 1_000_000;

const BIT_RATE_MAX = 100_000_000;
const RATES_MAX = 32;

/** One opening of the port. */
export interface RateTrial {
  readonly bitRate: number;
  readonly answerUs: number;
  /** Tried only for the sentence of the error: the owner wants another rate. */
  readonly isHint: boolean;
}

/**
 * The rates to try, in order.
 * @throws {@link SerialBridgeError} `invalid-option`
 */
export function rateTrials(
  bitRate: number | undefined,
  bitRates: readonly number[] | undefined,
): RateTrial[] {
  if (bitRate !== undefined && bitRates !== undefined) {
    throw new SerialBridgeError("invalid-option", "Give either bitRate or bitRates, not both.");
  }
  const wanted = bitRate === undefined ? (bitRates ?? BIT_RATES) : [bitRate];
  if (!Array.isArray(wanted) || wanted.length === 0 || wanted.length > RATES_MAX) {
    throw new SerialBridgeError("invalid-option", `bitRates must have 1 to ${RATES_MAX} rates.`);
  }
  for (const rate of wanted) checkRate(rate);
  const trials = wanted.map((rate) => ({ bitRate: rate, answerUs: ANSWER_US, isHint: false }));
  if (bitRate === undefined) return trials;
  const others = BIT_RATES.filter((rate) => rate !== bitRate);
  return [...trials, ...others.map((rate) => ({ bitRate: rate, answerUs: HINT_US, isHint: true }))];
}

function checkRate(rate: number): void {
  if (Number.isInteger(rate) && rate >= 1 && rate <= BIT_RATE_MAX) return;
  throw new SerialBridgeError(
    "invalid-option",
    `The bit rate ${rate} is not a whole number from 1 to ${BIT_RATE_MAX}.`,
  );
}
