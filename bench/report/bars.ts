import type { Row } from "../benchmark.js";

/** What one row should reach, in its own columns. */
export interface Bar {
  /** Which rows it is for; without it all that have both columns. */
  readonly where?: (row: Row) => boolean;
  readonly column: string;
  /** `at-least` and `at-most` allow equality, `above` does not. */
  readonly sense: "at-least" | "at-most" | "above";
  /** Column with the value to reach; default `bar`. */
  readonly against?: string;
}

/** A bar held to a row. */
export interface Verdict {
  readonly column: string;
  readonly sense: Bar["sense"];
  readonly measured: number;
  readonly bar: number;
  readonly isMet: boolean;
}

/** Verdicts on a row; none if nothing is asked of it. */
export function judge(row: Row, bars: readonly Bar[]): Verdict[] {
  return bars.flatMap(({ where, column, sense, against = "bar" }) => {
    const [measured, bar] = [row[column], row[against]];
    if (typeof measured !== "number" || typeof bar !== "number") return [];
    if (where && !where(row)) return [];
    const isMet = {
      "at-least": measured >= bar,
      "at-most": measured <= bar,
      above: measured > bar,
    }[sense];
    return [{ column, sense, measured, bar, isMet }];
  });
}

/** One word for the last column of a table, and what is missed, if not all of it. */
export function verdictWord(verdicts: readonly Verdict[]): string {
  const missed = verdicts.filter(({ isMet }) => !isMet);
  if (verdicts.length === 0) return "";
  if (missed.length === 0) return "met";
  return `**missed: ${missed.map(({ column }) => column).join(", ")}**`;
}

export const SENSE_WORDS: Readonly<Record<Bar["sense"], string>> = {
  "at-least": "at least",
  "at-most": "at most",
  above: "above",
};
