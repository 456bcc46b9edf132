/** Terms below this change nothing that is shown. */
const TERM_MIN = 1e-9;
const ROUNDS_MAX = 10_000;

/**
 * Rounds of selective repeat until every one of `fragments` has arrived: in each round all that are
 * missing are sent, and each is lost with probability `loss`. Mean of the greatest of as many
 * geometric variables: E = Σ over n ≥ 0 of 1 − (1 − pⁿ)^K. Any textbook of probability; for ARQ see
 * for instance A. Leon-Garcia, I. Widjaja, Communication Networks (from memory).
 *
 * @param fragments - above 0; need not be whole
 * @param loss - 0 to below 1
 */
export function selectiveRepeatRounds(fragments: number, loss: number): number {
  return roundMoments(fragments, loss).mean;
}

/** Mean and variance of the same number. */
export function roundMoments(
  fragments: number,
  loss: number,
): { readonly mean: number; readonly variance: number } {
  let mean = 0;
  let square = 0;
  for (let round = 0; round < ROUNDS_MAX; round++) {
    // P(more than `round` rounds are needed); at least one always is.
    const more = round === 0 ? 1 : 1 - (1 - loss ** round) ** fragments;
    if (more < TERM_MIN) break;
    mean += more;
    square += (2 * round + 1) * more;
  }
  return { mean, variance: Math.max(0, square - mean * mean) };
}

/**
 * Of a window that slides, the part that has to wait for its slowest fragment: a window of W goes on
 * as far as it is filled from the front. Found by drawing the recursion M(j) = max(M(j − 1),
 * M(j − W) + G), G geometric, for windows of 4 to 64 and losses of 0.05 to 0.3: E(W^0.75) rounds for
 * each W fragments, within 4 %.
 */
const SLIDING_EXPONENT = 0.75;

/** Rounds of a message larger than its window, by what ends them. */
export interface WindowedRounds {
  /** Rounds in which a full window slides on. */
  readonly sliding: number;
  /** Rounds for the last window's worth, or for all of it. */
  readonly last: number;
  readonly total: number;
  readonly variance: number;
}

/**
 * Rounds of selective repeat with a window: the last window's worth in full, and those before it as
 * far as each held up the next.
 */
export function windowedRounds(fragments: number, window: number, loss: number): WindowedRounds {
  const last = roundMoments(Math.min(fragments, window), loss);
  const windows = Math.max(0, (fragments - window) / window);
  const perWindow = roundMoments(window ** SLIDING_EXPONENT, loss);
  // Without loss rounds are whole; with it what is begun counts half, on the mean.
  const isWhole = (1 - loss) ** window;
  const begun = windows > 0 ? isWhole * (Math.ceil(windows) - windows) + (1 - isWhole) / 2 : 0;
  const sliding = windows * perWindow.mean + begun;
  return {
    sliding,
    last: last.mean,
    total: sliding + last.mean,
    variance: last.variance + windows * perWindow.variance,
  };
}

/** One of the rounds in which everything that is missing is sent again, on the mean. */
export interface RepeatRound {
  /** Probability that something is missing after it. */
  readonly goesOn: number;
  /** Fragments sent in it, if it takes place. */
  readonly burst: number;
}

/** The rounds of {@link selectiveRepeatRounds}, one by one. */
export function repeatRounds(fragments: number, loss: number): RepeatRound[] {
  const rounds: RepeatRound[] = [];
  let takesPlace = 1;
  for (let round = 0; round < ROUNDS_MAX && takesPlace > TERM_MIN; round++) {
    const goesOn = 1 - (1 - loss ** (round + 1)) ** fragments;
    rounds.push({ goesOn, burst: (fragments * loss ** round) / takesPlace });
    takesPlace = goesOn;
  }
  return rounds;
}
