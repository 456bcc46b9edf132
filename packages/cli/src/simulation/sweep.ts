import type { Case } from "../scenario/cases.js";
import { type CaseSummary, CaseTally } from "./case-tally.js";
import { type RunResult, runOnce, type Watcher } from "./run-once.js";

/** Which runs: every one of these seeds for each combination. */
export interface Seeds {
  readonly from: number;
  readonly count: number;
}

/** A run that failed, with what is needed to see it again. */
export interface FailedRun {
  readonly case: number;
  readonly seed: number;
  /** The first of what went wrong. */
  readonly why: string;
}

/** What came of a sweep, or of the part of it that was run. */
export interface SweepResult {
  readonly summaries: readonly CaseSummary[];
  readonly runs: number;
  readonly runsPlanned: number;
  readonly failedRuns: number;
  /** The first ones. */
  readonly failures: readonly FailedRun[];
  /** It was ended before all runs were done. */
  readonly isPartial: boolean;
}

/** Failed runs that are named; all are counted. */
export const FAILURES_LISTED_MAX = 100;

/**
 * Runs every combination with every seed, one after the other.
 * @param signal - when aborted, the run under way is dropped and what was done is returned
 * @param onRun - called after each run with the number of runs so far
 * @param watcher - is told what happens in every run
 */
export async function sweep(
  cases: readonly Case[],
  seeds: Seeds,
  signal: AbortSignal,
  onRun: (runs: number) => void = () => {},
  watcher?: Watcher,
): Promise<SweepResult> {
  const summaries: CaseSummary[] = [];
  const failures: FailedRun[] = [];
  let runs = 0;
  let failedRuns = 0;
  const note = (each: Case, { seed, failures: why }: RunResult) => {
    failedRuns++;
    if (failures.length < FAILURES_LISTED_MAX) {
      failures.push({ case: each.number, seed, why: why[0] ?? "" });
    }
  };
  for (const each of cases) {
    const tally = new CaseTally(each);
    const runsBefore = runs;
    for (let seed = seeds.from; seed < seeds.from + seeds.count && !signal.aborted; seed++) {
      const run = await runOnce(each, seed, signal, watcher && { watcher });
      if (run === undefined) break;
      tally.add(run);
      runs++;
      if (run.failureCount > 0) note(each, run);
      onRun(runs);
    }
    if (runs > runsBefore) summaries.push(tally.summary());
    if (signal.aborted) break;
  }
  const runsPlanned = cases.length * seeds.count;
  const isPartial = runs < runsPlanned;
  return { summaries, runs, runsPlanned, failedRuns, failures, isPartial };
}
