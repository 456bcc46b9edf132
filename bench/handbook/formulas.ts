/**
 * What textbooks say about repeating what was lost. a is the propagation time ÷ the time of a frame;
 * loss is that of frames with data; acks take no time and are never lost; every time-out ends just when
 * the ack could have come.
 */

/**
 * Share of the time in which new frames are on the line, with one frame under way.
 * @see W. Stallings, Data and Computer Communications; A. Leon-Garcia, I. Widjaja, Communication
 * Networks (formulas from memory)
 */
export function stopAndWait(a: number, loss: number): number {
  return (1 - loss) / (1 + 2 * a);
}

/** The same with up to `window` frames under way, of which only the lost ones are repeated. */
export function selectiveRepeat(window: number, a: number, loss: number): number {
  return window >= 1 + 2 * a ? 1 - loss : (window * (1 - loss)) / (1 + 2 * a);
}

/** The same where everything behind a lost frame is repeated as well. */
export function goBackN(window: number, a: number, loss: number): number {
  return window >= 1 + 2 * a
    ? (1 - loss) / (1 + 2 * a * loss)
    : (window * (1 - loss)) / ((1 + 2 * a) * (1 - loss + window * loss));
}

/** Two states, counted in datagrams: from good to bad, from bad to good, and the loss in each. */
export interface GilbertElliott {
  readonly goodToBad: number;
  readonly badToGood: number;
  readonly lossGood: number;
  readonly lossBad: number;
}

/**
 * Share of datagrams that find the channel bad.
 * @see E. N. Gilbert 1960; E. O. Elliott 1963
 */
export function badShare({ goodToBad, badToGood }: GilbertElliott): number {
  return goodToBad / (goodToBad + badToGood);
}

export function meanLoss(channel: GilbertElliott): number {
  const { goodToBad, badToGood, lossGood, lossBad } = channel;
  return (lossGood * badToGood + lossBad * goodToBad) / (goodToBad + badToGood);
}

/** Share of bursts of exactly `length` datagrams: geometric, mean 1 ÷ `badToGood`. */
export function burstShare(badToGood: number, length: number): number {
  return badToGood * (1 - badToGood) ** (length - 1);
}

/** A channel that loses everything while bad and nothing while good. */
export function burstChannel(loss: number, burstMean: number): GilbertElliott {
  const badToGood = 1 / burstMean;
  return { goodToBad: (loss * badToGood) / (1 - loss), badToGood, lossGood: 0, lossBad: 1 };
}

/**
 * Rounds until each of `frames` has got through once, if each round repeats what is missing: the sum
 * over n ≥ 0 of 1 − (1 − lossⁿ)^frames, the mean of the largest of geometric numbers.
 */
export function roundsOfSelectiveRepeat(frames: number, loss: number): number {
  let sum = 0;
  let missing = 1;
  for (let n = 0; missing > 1e-12 && n < 10_000; n++) {
    missing = 1 - (1 - loss ** n) ** frames;
    sum += missing;
  }
  return sum;
}

/** Within how many attempts this share of single datagrams arrives: the least n with lossⁿ ≤ 1 − share. */
export function attemptsPercentile(loss: number, share: number): number {
  let attempts = 1;
  // A little more than 1 − share: 0.3² and 1 − 0.91 are equal on paper only.
  while (loss ** attempts > (1 - share) * (1 + 1e-9)) attempts++;
  return attempts;
}
