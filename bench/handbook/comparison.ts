import { type Row, rounded } from "../benchmark.js";

/** What a row compares; what does not apply is left out. */
export interface Comparison {
  readonly part: string;
  readonly what: string;
  readonly note: string;
  readonly source: string;
  readonly window?: number;
  readonly a?: number;
  readonly loss?: number;
  readonly burst?: number;
  readonly runs: number;
  readonly measured: number;
  readonly formula: number;
  readonly goBackN?: number;
  /** Messages that were given up. */
  readonly failed?: number;
}

/** Columns in the same order in all rows. */
export function comparisonRow(comparison: Comparison): Row {
  const { part, what, note, source, runs, measured, formula } = comparison;
  const { window, a, loss, burst, goBackN, failed } = comparison;
  return {
    bench: "handbook",
    part,
    what,
    note,
    source,
    ...(window !== undefined && { window }),
    ...(a !== undefined && { a }),
    ...(loss !== undefined && { loss }),
    ...(burst !== undefined && { burst: rounded(burst, 2) }),
    runs,
    measured: toFourDigits(measured),
    formula: toFourDigits(formula),
    difference: rounded((measured / formula - 1) * 100, 1),
    ...(failed !== undefined && { failed }),
    ...(goBackN !== undefined && { goBackN: toFourDigits(goBackN) }),
  };
}

/** Shares from 0.0003 to 26 stand in one column. */
function toFourDigits(value: number): number {
  return Number(value.toPrecision(4));
}

/** Runs once for each seed, from 1. */
export async function eachSeed<T>(runs: number, run: (seed: number) => Promise<T>): Promise<T[]> {
  const results: T[] = [];
  for (let seed = 1; seed <= runs; seed++) results.push(await run(seed));
  return results;
}
