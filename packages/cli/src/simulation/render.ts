import { stringify } from "csv-stringify/sync";
import { count, counted } from "../format.js";
import { printable } from "../output.js";
import { type Column, tableLines } from "../render.js";
import type { CaseSummary, EntrySummary } from "./case-tally.js";
import type { SweepResult } from "./sweep.js";

/** Results as text, as CSV and as JSON. All pure. */

const UNKNOWN = "–";

/** The results of a sweep in columns. */
export interface ResultTable {
  readonly columns: readonly Column[];
  readonly rows: readonly (readonly string[])[];
}

/** {@link resultTable} as lines of text. */
export function renderTable(summaries: readonly CaseSummary[]): string[] {
  const { columns, rows } = resultTable(summaries);
  return columns.length === 0 ? [] : tableLines(columns, rows);
}

/** A table with a row for each combination, or for each of its messages if there are several. */
export function resultTable(summaries: readonly CaseSummary[]): ResultTable {
  const [first] = summaries;
  if (first === undefined) return { columns: [], rows: [] };
  const hasNames = first.messages.length > 1;
  const hasReplaced = summaries.some(({ messages }) =>
    messages.some(({ replaced }) => replaced > 0),
  );
  const figures = (...titles: string[]) =>
    titles.map((title): Column => ({ title, align: "right" }));
  const columns: Column[] = [
    ...figures("case", ...first.case.swept.map(({ field }) => field)),
    ...(hasNames ? [{ title: "message" }] : []),
    ...figures("runs", "failed", "sent", "delivered"),
    ...(hasReplaced ? figures("replaced") : []),
    ...figures("median ms", "P95 ms", "P99 ms", "efficiency", "datagrams"),
  ];
  const rows = summaries.flatMap((summary) =>
    summary.messages.map((entry, index) => [
      ...(index === 0 ? caseCells(summary) : ["", ...summary.case.swept.map(() => "")]),
      ...(hasNames ? [entry.name] : []),
      ...(index === 0 ? [count(summary.runs), count(summary.failedRuns)] : ["", ""]),
      ...entryCells(entry, hasReplaced),
      ...(index === 0 ? channelCells(summary) : []),
    ]),
  );
  return { columns, rows };
}

function caseCells({ case: each }: CaseSummary): string[] {
  return [String(each.number), ...each.swept.map(({ value }) => String(value))];
}

function entryCells(entry: EntrySummary, hasReplaced: boolean): string[] {
  const { sent, delivered, replaced, medianUs, p95Us, p99Us } = entry;
  const times = [medianUs, p95Us, p99Us].map(milliseconds);
  return [count(sent), count(delivered), ...(hasReplaced ? [count(replaced)] : []), ...times];
}

function channelCells({ efficiency, datagramsPerMessage }: CaseSummary): string[] {
  return [efficiency?.toFixed(3) ?? UNKNOWN, datagramsPerMessage?.toFixed(1) ?? UNKNOWN];
}

/** `7.32`, `48.1`, `1,249` */
export function milliseconds(us: number | undefined): string {
  if (us === undefined) return UNKNOWN;
  const ms = us / 1000;
  if (ms >= 1000) return count(Math.round(ms));
  return ms.toFixed(ms < 10 ? 2 : 1);
}

/** What the columns of {@link resultTable} are. */
export const TABLE_NOTES: readonly string[] = [
  "failed      runs in which a message failed, came twice, altered or out of order, or that hung",
  "sent, delivered (replaced)  messages of all runs",
  "median, P95, P99  from sending to delivery, of those delivered, virtual time (nearest rank)",
  "efficiency  mean over the runs of message bytes per second, from the first sending to the last",
  "            delivery, ÷ capacity of the channel: the datagram size per time of a full frame × (1 − loss)",
  "datagrams   of both sides on air, for each message sent",
];

/** What failed, and how to see it again. */
export function renderFailures(
  { failures, failedRuns }: SweepResult,
  shownMax: number,
  replay: (seed: number, number: number) => string,
): string[] {
  if (failedRuns === 0) return [];
  const shown = failures.slice(0, shownMax);
  const lines = shown.flatMap(({ case: number, seed, why }) => [
    `  seed ${seed}, case ${number}: ${printable(why)}`,
    `    ${replay(seed, number)}`,
  ]);
  const more = failedRuns - shown.length;
  if (more > 0) lines.push(`  … and ${count(more)} more`);
  const replayed = shown.length === 1 ? "the command below it shows" : "the commands show";
  return [`${counted(failedRuns, "run")} failed; ${replayed} it again:`, ...lines];
}

/** One line for each message of each combination, with every setting. */
export function renderCsv(summaries: readonly CaseSummary[]): string {
  const rows = summaries.flatMap((summary) =>
    summary.messages.map((entry, index) => csvRow(summary, entry, index)),
  );
  return stringify(rows, { header: true, columns: [...CSV_COLUMNS], escape_formulas: true });
}

export const CSV_COLUMNS = [
  "case",
  "preset",
  "mtuBytes",
  "loss",
  "burst",
  "burstUs",
  "duplicate",
  "reorder",
  "corrupt",
  "delayUs",
  "jitterUs",
  "window",
  "boards",
  "message",
  "bytes",
  "runs",
  "failedRuns",
  "sent",
  "delivered",
  "replaced",
  "failed",
  "medianUs",
  "p95Us",
  "p99Us",
  "efficiency",
  "datagramsPerMessage",
  "p5Us",
  "airtimeUs",
] as const;

/** A line of the CSV: a cell for each of {@link CSV_COLUMNS}. */
export type CsvRow = Readonly<Record<(typeof CSV_COLUMNS)[number], string | number | undefined>>;

/** @param index - of the message within its combination */
export function csvRow(summary: CaseSummary, entry: EntrySummary, index: number): CsvRow {
  const { case: each, runs, failedRuns, efficiency, datagramsPerMessage, airtimeUs } = summary;
  const { name, percentilesUs: _percentiles, ...counts } = entry;
  const { number, link, window, boards, messages } = each;
  const { outagesUs: _outages, ...settings } = link;
  const bytes = messages[index]?.bytes;
  return {
    ...{ case: number, ...settings, window, boards, message: name, bytes, runs, failedRuns },
    ...counts,
    efficiency: rounded(efficiency),
    datagramsPerMessage: rounded(datagramsPerMessage),
    airtimeUs: rounded(airtimeUs),
  };
}

/** One combination as an object of JSON. */
export function jsonOf(summary: CaseSummary) {
  const {
    case: each,
    runs,
    failedRuns,
    efficiency,
    datagramsPerMessage,
    airtimeUs,
    messages,
  } = summary;
  const { number, link, window, boards } = each;
  return {
    type: "combination",
    ...{ case: number, link, window, boards, runs, failedRuns },
    efficiency: rounded(efficiency),
    datagramsPerMessage: rounded(datagramsPerMessage),
    airtimeUs: rounded(airtimeUs),
    messages: messages.map(({ percentilesUs: _percentiles, ...entry }, index) => ({
      ...entry,
      bytes: each.messages[index]?.bytes,
    })),
  };
}

/** Six digits: more than the seeds can tell, and the same text everywhere. */
function rounded(value: number | undefined): number | undefined {
  return value === undefined ? undefined : Number(value.toPrecision(6));
}
