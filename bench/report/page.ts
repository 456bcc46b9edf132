import type { Benchmark, Row } from "../benchmark.js";
import { judge, SENSE_WORDS, type Verdict } from "./bars.js";
import { alignedTable, groupDigits, markdownTable, noteList } from "./markdown.js";
import { PRESENTATIONS, type Presentation, prepared } from "./presentation.js";
import type { Results } from "./results.js";

const INTRODUCTION = `# Results

This page is written by \`npm run report\` from the rows in \`results/\`. Do not edit it: a test compares the two. Under each
table stands the command that measures it again; [README.md](README.md) says how each is done.

**What is measured.** Fardel's own endpoints over simulated links, mostly in virtual time: such figures are the same on
every machine, for the same seeds. The reference channel is half-duplex; a frame is on air for 552 µs + 8 µs × (43 + bytes),
datagrams have at most 250 bytes, and each is lost independently of the others, with the same probability each way.
Efficiency is message bytes per second ÷ (250 bytes per airtime of a full frame × (1 − loss)): 1 is the
capacity of that channel, which no protocol with headers reaches.

**What is not.** No radio and no microcontroller board took part. Real air has collisions, interference and other
people on it; how much is lost on yours, only a measurement there shows. What takes real time is shown as ratios only,
of things measured in turn on one machine; do not compare such figures across machines.

**Bars** are the project's own targets. Each is said to be met or missed, and none is left out because it is missed.`;

/** The whole page. @param all - known benchmarks; those without results are named as not measured */
export function renderPage(all: readonly Benchmark[], results: readonly Results[]): string {
  const ordered = inOrder(all);
  const sections = ordered.map((benchmark) => {
    const found = results.find(({ bench }) => bench === benchmark.name);
    return found ? renderSection(benchmark, found) : renderMissing(benchmark);
  });
  return `${[INTRODUCTION, renderBars(ordered, results), ...sections].join("\n\n")}\n`;
}

/** As the presentations are ordered; others behind them, in the order given. */
function inOrder(all: readonly Benchmark[]): Benchmark[] {
  const order = Object.keys(PRESENTATIONS);
  const place = ({ name }: Benchmark) =>
    order.includes(name) ? order.indexOf(name) : order.length;
  return [...all].sort((one, other) => place(one) - place(other));
}

function presentationOf(bench: string): Presentation {
  return PRESENTATIONS[bench] ?? {};
}

/** How many bars each benchmark meets, and each one that is missed. */
function renderBars(all: readonly Benchmark[], results: readonly Results[]): string {
  const cells = [["Benchmark", "Bars", "Met", "Missed"]];
  const misses: string[] = [];
  for (const { name } of all) {
    const found = results.find(({ bench }) => bench === name);
    const { bars = [] } = presentationOf(name);
    const rows = prepared(name, found?.rows ?? []);
    const judged = rows.flatMap((row) => judge(row, bars).map((verdict) => ({ row, verdict })));
    if (judged.length === 0) continue;
    const missed = judged.filter(({ verdict }) => !verdict.isMet);
    const met = judged.length - missed.length;
    cells.push([`[${name}](#${name})`, ...[judged.length, met, missed.length].map(String)]);
    misses.push(...missed.map(({ row, verdict }) => `- **${name}**: ${missText(row, verdict)}`));
  }
  const table = alignedTable(cells, ["left", "right", "right", "right"]);
  const list = misses.length > 0 ? `Missed:\n\n${misses.join("\n")}` : "None is missed.";
  return `## Bars met and missed\n\n${table}\n\n${list}`;
}

/** Which row it is, by its text and the settings before what was measured. */
function missText(row: Row, { column, sense, measured, bar }: Verdict): string {
  const names = Object.entries(row)
    .filter(([key]) => IDENTIFYING.includes(key))
    .map(([key, value]) => (typeof value === "string" ? value : `${key} ${groupDigits(value)}`));
  return `${names.join(", ")}: \`${column}\` is ${groupDigits(measured)}, the bar is ${SENSE_WORDS[sense]} ${groupDigits(bar)}`;
}

/** Columns that tell rows with bars apart. */
const IDENTIFYING = [
  "entry",
  "preset",
  "codec",
  "against",
  "zeros",
  "payloadBytes",
  "direction",
  "bitRate",
  "bytes",
  "window",
  "loss",
  "roundTripUs",
];

function renderSection(benchmark: Benchmark, { command, machine, rows }: Results): string {
  const { name, title, notes } = benchmark;
  const presentation = presentationOf(name);
  const { words, isTimed, plot, isPlotOnly, hidden = [] } = presentation;
  const parts = [`## ${name}`, `${title}.${words ? ` ${words}` : ""}`];
  if (plot) parts.push(`![${plot.alt}](plots/${plot.file})`);
  if (!isPlotOnly) {
    parts.push(...tables(prepared(name, rows), presentation), noteList(notes, hidden));
  }
  parts.push(`\`\`\`\n${command}\n\`\`\``);
  if (isTimed) parts.push(`Real time, on a machine with ${machine}.`);
  return parts.join("\n\n");
}

function tables(
  rows: readonly Row[],
  { tableFor, without, hidden = [], bars = [] }: Presentation,
): string[] {
  const shown = without ? rows.filter((row) => !without(row)) : rows;
  if (tableFor === undefined) return [markdownTable(shown, { hidden, bars })];
  const values = [...new Set(shown.map((row) => row[tableFor]))];
  return values.flatMap((value) => [
    `### ${headingOf(tableFor, value)}`,
    markdownTable(
      shown.filter((row) => row[tableFor] === value),
      { hidden: [...hidden, tableFor], bars },
    ),
  ]);
}

/** A number says nothing without its column. */
function headingOf(column: string, value: string | number | undefined): string {
  const text = typeof value === "number" ? `${column} ${groupDigits(value)}` : String(value);
  return text.includes("-") ? text : text.charAt(0).toUpperCase() + text.slice(1);
}

function renderMissing({ name, title }: Benchmark): string {
  return `## ${name}\n\n${title}. Not measured yet.`;
}
