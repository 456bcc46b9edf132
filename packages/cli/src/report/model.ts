import { count, counted } from "../format.js";
import { type Case, cutUs } from "../scenario/cases.js";
import type { Scenario } from "../scenario/parse.js";
import type { AirLog } from "../simulation/air-log.js";
import { CSV_COLUMNS, csvRow, resultTable } from "../simulation/render.js";
import type { Seeds, SweepResult } from "../simulation/sweep.js";
import { airFigure } from "./air-figure.js";
import { settingWords } from "./field-words.js";
import type { DataTable } from "./figure.js";
import { type Drawn, figuresOf } from "./figures.js";
import { type ScenarioWords, scenarioWords } from "./scenario-words.js";

/** Rows of a table in the page; what goes beyond is in the CSV. */
export const ROWS_MAX = 2000;

/** Everything that a page is made of. */
export interface ReportInput {
  readonly scenario: Scenario;
  /** As it was read. */
  readonly source: string;
  /** Those that were run. */
  readonly cases: readonly Case[];
  readonly seeds: Seeds;
  readonly result: SweepResult;
  /** Of a single run: what was on the air. */
  readonly air?: AirLog | undefined;
  /** Shows the same page again. */
  readonly command: string;
  /** Shows a run again. */
  readonly replay: (seed: number, number: number) => string;
  /** Of the program. */
  readonly version: string;
}

/** What the page says; plain data, without a date. */
export interface Report {
  readonly title: string;
  readonly version: string;
  readonly verdict: Verdict;
  /** Names and what they are. */
  readonly facts: readonly (readonly [name: string, words: string])[];
  readonly command: string;
  readonly results: CutTable;
  readonly drawn: Drawn;
  readonly columns: CutTable;
  readonly scenario: ScenarioWords;
  readonly source: string;
}

export interface Verdict {
  readonly kind: "good" | "failed" | "partial";
  readonly sentence: string;
  /** What was not run; empty if everything was. */
  readonly partial: string;
  readonly failures: readonly {
    readonly case: number;
    readonly seed: number;
    readonly why: string;
    readonly command: string;
  }[];
  /** Failed runs that are not listed. */
  readonly moreFailures: number;
}

/** A table that may have lost its end. */
export interface CutTable extends DataTable {
  readonly rowsLeftOut: number;
}

/** What to show of a sweep. Pure: the same input gives the same report. */
export function reportOf(input: ReportInput): Report {
  const { scenario, source, cases, seeds, result, command, version } = input;
  return {
    title: scenario.title,
    version,
    verdict: verdictOf(input),
    facts: factsOf(cases, seeds, result),
    command,
    results: resultsOf(result),
    drawn: drawnOf(input),
    columns: columnsOf(result),
    scenario: scenarioWords(scenario.cases),
    source: source.replaceAll(/\r\n?/g, "\n").trimEnd(),
  };
}

function drawnOf({ result, air, cases }: ReportInput): Drawn {
  const { figures, remarks } = figuresOf(result.summaries);
  const boards = cases[0]?.boards ?? 0;
  const isWorthIt = air !== undefined && air.datagramsInAll > 0;
  return { figures: isWorthIt ? [airFigure(air, boards), ...figures] : figures, remarks };
}

function verdictOf({ result, replay }: ReportInput): Verdict {
  const { runs, runsPlanned, failedRuns, failures, isPartial } = result;
  const listed = failures.map((failure) => ({
    ...failure,
    command: replay(failure.seed, failure.case),
  }));
  const partial = isPartial
    ? `Ended by Ctrl-C after ${count(runs)} of ${counted(runsPlanned, "run")}: the figures are of these alone.`
    : "";
  const all = runs === 1 ? "The run" : `All ${count(runs)} runs`;
  const sentence =
    runs === 0
      ? "No run was done: nothing can be said."
      : failedRuns === 0
        ? `${all} did what ${runs === 1 ? "it" : "they"} should: no message failed, none came twice, altered or out of order, and nothing hung.`
        : runs === 1
          ? "The run failed."
          : `${count(failedRuns)} of ${counted(runs, "run")} failed.`;
  return {
    kind: failedRuns > 0 ? "failed" : isPartial ? "partial" : "good",
    sentence,
    partial,
    failures: listed,
    moreFailures: failedRuns - listed.length,
  };
}

function factsOf(
  cases: readonly Case[],
  { from, count: seeds }: Seeds,
  { runs, runsPlanned }: SweepResult,
): Report["facts"] {
  const [only] = cases;
  const cutS = Math.max(...cases.map(cutUs)) / 1e6;
  return [
    ...(only && cases.length === 1 ? oneCaseFacts(only) : allCasesFacts(cases)),
    ["Seeds", seeds === 1 ? String(from) : `${from} to ${from + seeds - 1}`],
    [
      "Runs",
      runs === runsPlanned ? count(runs) : `${count(runs)} of ${count(runsPlanned)} (partial)`,
    ],
    [
      "Time",
      `virtual: no time passes but in the simulation. A run that has not ended after ${count(cutS)} s is cut and counts as failed.`,
    ],
  ];
}

function oneCaseFacts({ number, swept, messages }: Case): Report["facts"] {
  const names = messages.map(({ name }) => name);
  const settings = swept.map(({ field, value }) => settingWords(field, value, names)).join(", ");
  return [["Combination", settings === "" ? "the only one" : `number ${number}: ${settings}`]];
}

function allCasesFacts(cases: readonly Case[]): Report["facts"] {
  const swept = cases[0]?.swept.map(({ field }) => field).join(", ") ?? "";
  return [
    ["Combinations", count(cases.length)],
    ["Swept fields", swept],
  ];
}

function resultsOf({ summaries }: SweepResult): CutTable {
  const { columns, rows } = resultTable(summaries);
  return cut({
    caption: "Results of each combination",
    head: columns.map(({ title, align }) => ({ title, isFigure: align === "right" })),
    rows,
  });
}

function columnsOf({ summaries }: SweepResult): CutTable {
  const rows = summaries.flatMap((summary) =>
    summary.messages.map((entry, index) => {
      const row = csvRow(summary, entry, index);
      return CSV_COLUMNS.map((column) => String(row[column] ?? ""));
    }),
  );
  return cut({
    caption: "Every setting and figure, as in the CSV; names that end in Us are microseconds",
    head: CSV_COLUMNS.map((title) => ({
      title,
      isFigure: title !== "message" && title !== "preset",
    })),
    rows,
  });
}

function cut(table: DataTable): CutTable {
  const rows = table.rows.slice(0, ROWS_MAX);
  return { ...table, rows, rowsLeftOut: table.rows.length - rows.length };
}
