import { LATE_SHARE, type LinkModel } from "./link-model.js";
import { WIRE } from "./wire-bytes.js";

/** First contact with a board; PROTOCOL.md, sections 4.3 and 7.4. */
export interface OpeningEstimate {
  /** Whether the message fits in it: then nothing else is sent but the answer. */
  readonly carriesMessage: boolean;
  readonly attempts: number;
  /** Openings and answers. */
  readonly datagrams: number;
  /** Of both sides, and of the opener alone, microseconds. */
  readonly airtimeUs: number;
  readonly senderAirtimeUs: number;
  /** Until the answer is there, or the message if it is in the opening, microseconds. */
  readonly timeUs: number;
  readonly varianceUs2: number;
  /** The time that all but one of 200 openings keep to. */
  readonly lateUs: number;
}

/** PROTOCOL.md, section 7.4. */
const FIRST_RETRY_US = 50_000;
const FIRST_RETRY_US_MIN = 3_000;
const TELLING_SEND_US = 300;
const ALIKE = 4;

/**
 * Openings that need more attempts are left out of the means, one in a thousand: the interval
 * doubles, so that at high loss the few worst ones outweigh all others.
 */
const LEFT_OUT = 0.001;
const ATTEMPTS_MAX = 30;

export function estimateOpening(link: LinkModel, bytes: number): OpeningEstimate {
  const { mtuBytes, datagramLoss: loss, delayUs } = link;
  const withMessage = WIRE.long + WIRE.hello + WIRE.dataHead + bytes;
  const carriesMessage = withMessage <= mtuBytes;
  const padded = Math.min(WIRE.opening, mtuBytes);
  const openingBytes = carriesMessage ? Math.max(padded, withMessage) : padded;
  const answerBytes = Math.min(mtuBytes, WIRE.long + WIRE.hello + WIRE.ack);
  const openingUs = link.datagramUs(openingBytes);
  const roundTripUs = link.datagramUs(answerBytes) + 2 * delayUs;

  const answered = (1 - loss) ** 2;
  const arrived = carriesMessage ? 1 - loss : answered;
  const instants = openingInstants(openingUs);
  const doneUs = openingUs + (carriesMessage ? delayUs : roundTripUs);
  const sent = meanOverAttempts(instants, answered, (instant, attempt) => {
    // Those that leave before the answer is back are sent too.
    const backUs = instant + openingUs + roundTripUs;
    return Math.max(attempt, instants.filter((other) => other + openingUs <= backUs).length);
  });
  const answers = sent * (1 - loss);
  const timeUs = meanOverAttempts(instants, arrived, (instant) => instant + doneUs);
  const squareUs2 = meanOverAttempts(instants, arrived, (instant) => (instant + doneUs) ** 2);
  const ownUs2 = link.varianceUs2(openingBytes) + link.varianceUs2(answerBytes);
  const senderAirtimeUs = sent * link.busyUs(openingBytes);
  return {
    carriesMessage,
    attempts: 1 / arrived,
    datagrams: sent + answers,
    airtimeUs: senderAirtimeUs + answers * link.busyUs(answerBytes),
    senderAirtimeUs,
    timeUs,
    varianceUs2: Math.max(0, squareUs2 - timeUs ** 2) + ownUs2,
    lateUs: lateInstant(instants, arrived) + doneUs + link.extraUs(openingBytes),
  };
}

/** When each opening begins to be sent, microseconds. */
function openingInstants(openingUs: number): number[] {
  const guessUs = Math.max(FIRST_RETRY_US_MIN, 2.5 * openingUs);
  const baseUs = openingUs < TELLING_SEND_US ? FIRST_RETRY_US : Math.min(FIRST_RETRY_US, guessUs);
  const instants = [0];
  for (let attempt = 1; attempt < ATTEMPTS_MAX; attempt++) {
    // Repeats are up to an eighth later at random: a sixteenth on the mean.
    const stretch = attempt > 1 ? 17 / 16 : 1;
    const waitUs = Math.min(5e6, baseUs * 2 ** Math.max(0, attempt - ALIKE)) * stretch;
    instants.push(instants[attempt - 1]! + openingUs + waitUs);
  }
  return instants;
}

/** Mean of a value that depends on which attempt is the first to succeed. */
function meanOverAttempts(
  instants: readonly number[],
  success: number,
  value: (instantUs: number, attempt: number) => number,
): number {
  let mean = 0;
  let left = 1;
  for (const [index, instant] of instants.entries()) {
    const isLast = left * (1 - success) <= LEFT_OUT;
    mean += left * (isLast ? 1 : success) * value(instant, index + 1);
    left *= 1 - success;
    if (isLast) break;
  }
  return mean;
}

function lateInstant(instants: readonly number[], success: number): number {
  const attempts = success < 1 ? Math.ceil(Math.log(LATE_SHARE) / Math.log(1 - success)) : 1;
  const last = instants[Math.min(attempts, ATTEMPTS_MAX) - 1] ?? 0;
  // With the random part of the repeats in full.
  return (last * 18) / 17;
}
