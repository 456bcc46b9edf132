import { parseScenario } from "../scenario/parse.js";
import { type CaseSummary, CaseTally } from "../simulation/case-tally.js";
import type { EntryResult } from "../simulation/run-once.js";
import type { SweepResult } from "../simulation/sweep.js";
import type { ReportInput } from "./model.js";

/** For tests: a sweep whose results are made up, so that it takes no time. */
export interface MadeSweep {
  readonly scenario: object;
  /** Runs of each combination; default 20. */
  readonly runs?: number;
  /** What came of a message in one run; default: delivered, later from run to run and case to case. */
  readonly entry?: (entry: number, run: number, number: number) => Partial<EntryResult>;
  readonly result?: Partial<SweepResult>;
}

export function madeInput({ scenario, runs = 20, entry, result }: MadeSweep): ReportInput {
  const source = JSON.stringify(scenario, undefined, 1);
  const parsed = parseScenario("test", source);
  const summaries = parsed.cases.map((each): CaseSummary => {
    const tally = new CaseTally(each);
    for (let run = 1; run <= runs; run++) {
      const entries = each.messages.map((_, index) => ({
        ...{ sent: 1, delivered: 1, replaced: 0, failed: 0 },
        timesUs: [1000 * each.number * (index + 1) + 10 * run],
        ...entry?.(index, run, each.number),
      }));
      tally.add({
        seed: run,
        entries,
        failures: [],
        failureCount: 0,
        efficiency: 1 / (each.number + 1),
        datagrams: 10,
        airtimeUs: 2000 * each.number,
        elapsedUs: 1,
      });
    }
    return tally.summary();
  });
  const total = runs * parsed.cases.length;
  return {
    scenario: parsed,
    source,
    cases: parsed.cases,
    seeds: { from: 1, count: runs },
    result: {
      summaries,
      runs: total,
      runsPlanned: total,
      failedRuns: 0,
      failures: [],
      isPartial: false,
      ...result,
    },
    command: "fardel simulate frost.json --seeds 20 --html report.html",
    replay: (seed, number) => `fardel simulate frost.json --seed ${seed} --case ${number} --trace`,
    version: "1.2.3",
  };
}

export function madeSummaries(made: MadeSweep): readonly CaseSummary[] {
  return madeInput(made).result.summaries;
}
