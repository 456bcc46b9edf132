import type { Row } from "../benchmark.js";
import { type Bar, judge, verdictWord } from "./bars.js";

/** Columns that no reader needs: the name of the benchmark, and what is only there to compare with. */
const NEVER = ["bench", "least"];
/** Longer tables are folded away. */
const OPEN_ROWS_MAX = 30;

/** To which side of its column a text stands. */
export type Side = "left" | "right";

export interface TableOptions {
  readonly hidden?: readonly string[];
  readonly bars?: readonly Bar[];
}

/** Rows as a Markdown table; columns that are empty in all of them are left out. */
export function markdownTable(
  rows: readonly Row[],
  { hidden = [], bars = [] }: TableOptions = {},
): string {
  const left = [...NEVER, ...hidden];
  const columns = [...new Set(rows.flatMap((row) => Object.keys(row)))].filter(
    (column) => !left.includes(column),
  );
  const verdicts = rows.map((row) => verdictWord(judge(row, bars)));
  const last = verdicts.some((word) => word !== "") ? ["verdict"] : [];
  const isText = (column: string) => rows.some((row) => typeof row[column] === "string");
  const cells = [
    [...columns, ...last],
    ...rows.map((row, i) => [
      ...columns.map((column) => cell(row[column])),
      ...last.map(() => verdicts[i] as string),
    ]),
  ];
  const sides = [...columns, ...last].map(
    (column): Side => (columns.includes(column) && !isText(column) ? "right" : "left"),
  );
  return folded(alignedTable(cells, sides), rows.length);
}

/**
 * A table whose columns stand below each other in the text as well, as the formatter of this repository wants it.
 * @param cells - the head, then the rows
 */
export function alignedTable(
  cells: readonly (readonly string[])[],
  sides: readonly Side[],
): string {
  const widths = sides.map((_, i) => Math.max(3, ...cells.map((line) => line[i]?.length ?? 0)));
  const padded = cells.map((line) =>
    line.map((text, i) => {
      const width = widths[i] as number;
      return sides[i] === "right" ? text.padStart(width) : text.padEnd(width);
    }),
  );
  const rule = widths.map((width, i) =>
    sides[i] === "right" ? `${"-".repeat(width - 1)}:` : "-".repeat(width),
  );
  const [head = [], ...body] = padded;
  return [head, rule, ...body].map((line) => `| ${line.join(" | ")} |`).join("\n");
}

function folded(table: string, rowCount: number): string {
  if (rowCount <= OPEN_ROWS_MAX) return table;
  return `<details>\n<summary>Table of ${rowCount} rows</summary>\n\n${table}\n\n</details>`;
}

function cell(value: string | number | undefined): string {
  if (value === undefined) return "";
  return typeof value === "string" ? value.replaceAll("|", "\\|") : groupDigits(value);
}

/** Thousands apart, as in 1,234.5678; the same on every machine: no locale is asked. */
export function groupDigits(value: number): string {
  const [whole = "", fraction] = String(value).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, ",");
  return fraction === undefined ? grouped : `${grouped}.${fraction}`;
}

/** A note of a benchmark: what it is about, and what it says. */
export interface Note {
  readonly term: string;
  readonly text: string;
}

/**
 * Notes as benchmarks have them: a term, blanks (two at least if the term has blanks itself), its meaning;
 * lines that begin with a blank go on with the one before.
 */
export function parseNotes(lines: readonly string[]): Note[] {
  const notes: Note[] = [];
  for (const line of lines) {
    const last = notes.at(-1);
    if (line.startsWith(" ") && last) {
      notes[notes.length - 1] = { ...last, text: `${last.text} ${line.trim()}` };
      continue;
    }
    const match = /^(.+?)\s{2,}(.*)$/.exec(line) ?? /^(\S+)\s+(.*)$/.exec(line);
    notes.push({ term: match?.[1] ?? "", text: match?.[2] ?? line });
  }
  return notes;
}

/** Notes as a list; those on hidden columns are left out. */
export function noteList(lines: readonly string[], hidden: readonly string[] = []): string {
  return parseNotes(lines)
    .filter(({ term }) => !hidden.includes(term))
    .map(({ term, text }) => (term === "" ? `- ${text}` : `- \`${term}\`: ${text}`))
    .join("\n");
}
