/**
 * Works on all payloads once and gives a number that depends on every result, so that no compiler
 * leaves the work out. Each contender has a loop of its own: in a shared one its call would not be
 * compiled into the loop.
 */
export type Lap = () => number;

/** Repetitions of each contender; the best of them counts. */
export const REPETITIONS = 25;
/** How long one repetition takes, about, at scale 1, ms: well above the timer's steps. */
const REPETITION_MS = 4;
/** Laps before anything is timed, so that the compiler is through, at scale 1, ms. */
const WARM_UP_MS = 40;

/** Sum of everything that laps gave, kept where everybody could read it. */
export const sink = { sum: 0 };

/**
 * Lets contenders run in turn: a disturbance of the machine meets all of them.
 * @param scale - share of the usual time
 * @returns the shortest time for one lap of each, ms
 */
export function race(laps: readonly Lap[], scale: number): number[] {
  const rounds = laps.map((lap) => warmUp(lap, scale));
  const bestMs = laps.map(() => Number.POSITIVE_INFINITY);
  for (let repetition = 0; repetition < REPETITIONS; repetition++) {
    for (const [i, lap] of laps.entries()) {
      const ms = timed(lap, rounds[i] as number);
      bestMs[i] = Math.min(bestMs[i] as number, ms / (rounds[i] as number));
    }
  }
  return bestMs;
}

/** @returns how many laps make one repetition */
function warmUp(lap: Lap, scale: number): number {
  const warmUpMs = WARM_UP_MS * scale;
  let rounds = 1;
  let spentMs = 0;
  let lastMs = 0;
  while (true) {
    lastMs = timed(lap, rounds);
    spentMs += lastMs;
    if (spentMs >= warmUpMs && lastMs >= (REPETITION_MS * scale) / 4) break;
    rounds *= 2;
  }
  return Math.max(1, Math.ceil((rounds * REPETITION_MS * scale) / lastMs));
}

function timed(lap: Lap, rounds: number): number {
  const startedMs = performance.now();
  for (let round = 0; round < rounds; round++) sink.sum = (sink.sum + lap()) | 0;
  return performance.now() - startedMs;
}
