/**
 * How large the libraries are on small processors: `make -C packages/board-c footprint`. With
 * `--write` the table goes to README.md.
 */
import { readFileSync, writeFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { type Footprint, LIBRARIES, measure, PROCESSORS } from "./support/footprint.js";

const README = fileURLToPath(new URL("../README.md", import.meta.url));
const BEGIN = "<!-- footprint -->";
const END = "<!-- end footprint -->";

/** A row of the table, as it is printed. */
export interface Row {
  readonly library: string;
  readonly processor: string;
  readonly footprint: Footprint;
}

export function measureAll(): Row[] {
  return LIBRARIES.flatMap((library) =>
    PROCESSORS.filter(({ name }) => library.processors?.includes(name) ?? true).map(
      (processor) => ({
        library: library.name,
        processor: processor.name,
        footprint: measure(library, processor),
      }),
    ),
  );
}

/** The columns with numbers, in order. */
const COLUMNS = [
  ["Code", "codeBytes"],
  ["Sentences", "textBytes"],
  ["Memory", "memoryBytes"],
  ["Stack", "stackBytes"],
  ["Stack with callbacks", "stackWithCallbacksBytes"],
] as const;

const WORDS = ["Library", "Processor"];

/** Markdown. */
export function renderTable(rows: readonly Row[]): string {
  const head = [...WORDS, ...COLUMNS.map(([title]) => title)];
  const cells = rows.map(({ library, processor, footprint }) => [
    library,
    processor,
    ...COLUMNS.map(([, key]) => footprint[key].toLocaleString("en-US")),
  ]);
  const widths = head.map((_, at) => Math.max(...[head, ...cells].map((row) => row[at]!.length)));
  const pad = (cell: string, at: number) =>
    at < WORDS.length ? cell.padEnd(widths[at]!) : cell.padStart(widths[at]!);
  const line = (row: readonly string[]) => `| ${row.map(pad).join(" | ")} |`;
  const rule = widths.map((width, at) =>
    at < WORDS.length ? "-".repeat(width) : `${"-".repeat(width - 1)}:`,
  );
  return [line(head), line(rule), ...cells.map(line)].join("\n");
}

/** What is written below the table. */
const NOTE = `Bytes, compiled with \`-Os\`; \`make -C packages/board-c footprint\` measures them anew. The endpoint is one of 250-byte
datagrams with one peer and a window of 8, the bridge that of \`examples/bridge.c\`. The small endpoint is built with
\`FARDEL_SMALL\` and \`FARDEL_ONE_PEER\`: fardel.h says what is lost. The protected one is built with \`FARDEL_PROTECTED\`.
Pairing is all ways, or one of them, with discovery and the record of keys, beside an endpoint. Ciphers are not counted: they are yours. _Code_ is all instructions and
constants; _sentences_ are only there in a program that calls \`fardel_text()\`. _Memory_ is what you give when you open one.
_Stack_ is the deepest chain of calls, by the frames and the call graph that the compiler writes, and 24 bytes for the C
library; what your callbacks and interrupts take is yours to add. The last column is for callbacks that call \`fardel_send()\`
(with the bridge: \`fardel_bridge_outcome()\`). Without callbacks no function calls itself, by whatever way.`;

/** The numbers of README.md's table, by library and processor. */
export function readmeTable(): ReadonlyMap<string, readonly number[]> {
  const [, inside] = parts();
  const rows = [
    ...inside.matchAll(/^\| *(\w+(?:, \w+)?) *\| *(\w+[-\w]*) *\|((?: *[\d,]+ *\|)+)$/gm),
  ];
  return new Map(
    rows.map(([, library, processor, cells = ""]) => [
      `${library}, ${processor}`,
      cells
        .split("|")
        .slice(0, -1)
        .map((cell) => Number(cell.replaceAll(",", ""))),
    ]),
  );
}

/** The numbers of a row, in the order of the table. */
export function numbersOf({ footprint }: Row): number[] {
  return COLUMNS.map(([, key]) => footprint[key]);
}

/** README.md before, between and behind the marks. */
function parts(): [string, string, string] {
  const text = readFileSync(README, "utf8");
  const [begin, end] = [text.indexOf(BEGIN) + BEGIN.length, text.indexOf(END)];
  if (begin < BEGIN.length || end < begin) throw new Error(`README.md has no ${BEGIN} … ${END}.`);
  return [text.slice(0, begin), text.slice(begin, end), text.slice(end)];
}

function explain(rows: readonly Row[]): string {
  const deepest = rows.map(
    ({ library, processor, footprint }) =>
      `${library}, ${processor}: ${footprint.chain.map(({ name, bytes }) => `${name} ${bytes}`).join(" > ")}`,
  );
  return `Deepest stacks, with the bytes of each function:\n${deepest.join("\n")}`;
}

function main(): void {
  const rows = measureAll();
  const table = renderTable(rows);
  process.stdout.write(`${table}\n\n${explain(rows)}\n`);
  if (!process.argv.includes("--write")) return;
  const [before, , behind] = parts();
  writeFileSync(README, `${before}\n\n${table}\n\n${NOTE}\n\n${behind}`);
}

if (process.argv[1] === fileURLToPath(import.meta.url)) main();
