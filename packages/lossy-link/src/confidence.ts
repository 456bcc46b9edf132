/**
 * How far a count of hits may be from what was expected, in tests: 4 standard deviations of a
 * binomial distribution, √(n p (1 − p)) (any textbook of statistics). A sound generator exceeds that
 * once in 15,800 tests; with the seed fixed, a test that passes once passes always.
 */
export function withinFourSigma(hits: number, trials: number, probability: number): boolean {
  const sigma = Math.sqrt(trials * probability * (1 - probability));
  return Math.abs(hits - trials * probability) <= 4 * sigma;
}

/** The same for the mean of `trials` independent values with this standard deviation. */
export function meanWithinFourSigma(
  mean: number,
  expected: number,
  deviation: number,
  trials: number,
): boolean {
  return Math.abs(mean - expected) <= (4 * deviation) / Math.sqrt(trials);
}
