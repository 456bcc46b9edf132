import type { Case } from "../scenario/cases.js";
import { percentilesOf, Samples } from "./percentiles.js";
import type { RunResult } from "./run-once.js";

/** One of the scenario's `messages` over all runs of a combination. */
export interface EntrySummary {
  readonly name: string;
  readonly sent: number;
  readonly delivered: number;
  readonly replaced: number;
  readonly failed: number;
  /** From sending to delivery, microseconds, nearest rank; `undefined` if none was delivered. */
  readonly medianUs: number | undefined;
  readonly p95Us: number | undefined;
  readonly p99Us: number | undefined;
  readonly p5Us: number | undefined;
  /** The least time, then each percentile up to the greatest time; empty if none was delivered. */
  readonly percentilesUs: readonly number[];
}

/** All runs of a combination. */
export interface CaseSummary {
  readonly case: Case;
  readonly runs: number;
  readonly failedRuns: number;
  /** Mean over the runs; 1 is the capacity of the channel. `undefined` where that has none. */
  readonly efficiency: number | undefined;
  /** Of both sides, for each message that was sent. */
  readonly datagramsPerMessage: number | undefined;
  /** How long the medium was busy in a run, mean, microseconds. */
  readonly airtimeUs: number | undefined;
  readonly messages: readonly EntrySummary[];
}

class EntryTally {
  sent = 0;
  delivered = 0;
  replaced = 0;
  failed = 0;
  readonly timesUs = new Samples();
}

/** Adds up the runs of one combination. */
export class CaseTally {
  readonly case: Case;
  readonly #entries: readonly EntryTally[];
  #runs = 0;
  #failedRuns = 0;
  #datagrams = 0;
  #airtimeUs = 0;
  #efficiencies = 0;
  #efficiencySum = 0;

  constructor(each: Case) {
    this.case = each;
    this.#entries = each.messages.map(() => new EntryTally());
  }

  add(run: RunResult): void {
    this.#runs++;
    if (run.failureCount > 0) this.#failedRuns++;
    this.#datagrams += run.datagrams;
    this.#airtimeUs += run.airtimeUs;
    if (run.efficiency !== undefined) {
      this.#efficiencies++;
      this.#efficiencySum += run.efficiency;
    }
    for (const [index, entry] of run.entries.entries()) {
      const tally = this.#entries[index]!;
      tally.sent += entry.sent;
      tally.delivered += entry.delivered;
      tally.replaced += entry.replaced;
      tally.failed += entry.failed;
      for (const us of entry.timesUs) tally.timesUs.add(us);
    }
  }

  summary(): CaseSummary {
    const sent = this.#entries.reduce((sum, entry) => sum + entry.sent, 0);
    return {
      case: this.case,
      runs: this.#runs,
      failedRuns: this.#failedRuns,
      efficiency: this.#efficiencies > 0 ? this.#efficiencySum / this.#efficiencies : undefined,
      datagramsPerMessage: sent > 0 ? this.#datagrams / sent : undefined,
      airtimeUs: this.#runs > 0 ? this.#airtimeUs / this.#runs : undefined,
      messages: this.#entries.map(({ timesUs, ...counts }, index) => {
        const percentilesUs = percentilesOf(timesUs.sorted());
        return {
          name: this.case.messages[index]!.name,
          ...counts,
          medianUs: percentilesUs[50],
          p95Us: percentilesUs[95],
          p99Us: percentilesUs[99],
          p5Us: percentilesUs[5],
          percentilesUs,
        };
      }),
    };
  }
}
