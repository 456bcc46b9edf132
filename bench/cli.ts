import { parseArgs } from "node:util";
import type { Benchmark, BenchOptions, Row } from "./benchmark.js";
import { byHand } from "./by-hand/by-hand.js";
import { codecs } from "./codecs/codecs.js";
import { discovery } from "./discovery.js";
import { efficiency } from "./efficiency.js";
import { firstContact } from "./first-contact.js";
import { handbook } from "./handbook/handbook.js";
import { hostile } from "./hostile/hostile.js";
import { nearness } from "./nearness.js";
import { peers } from "./peers.js";
import { kernelTcp } from "./race/kernel-tcp.js";
import { serial } from "./serial.js";
import { size } from "./size.js";
import { speed } from "./speed.js";
import { renderTable } from "./table.js";
import { urgent } from "./urgent.js";

/** In the order in which `all` runs them. */
export const BENCHMARKS: readonly Benchmark[] = [
  efficiency,
  byHand,
  kernelTcp,
  urgent,
  firstContact,
  speed,
  peers,
  serial,
  handbook,
  codecs,
  hostile,
  discovery,
  nearness,
  size,
];

const HELP = `Measures Fardel. npm run bench -- NAME … [--json] [--seeds N] [--scale X]

${BENCHMARKS.map(({ name, title }) => `  ${name.padEnd(14)} ${title}`).join("\n")}
  ${"all".padEnd(14)} All of them but kernel-tcp, one after the other

  --json         One JSON object a line on stdout and nothing else
  --seeds N      Runs for each row that is a statistic, 1 to 1000000; default 100
  --scale X      Share of the usual work for what is timed, above 0 to 100; default 1
  --help         This text

For a program to read: npm run --silent bench -- NAME --json
`;

/** Where the command writes. */
export interface Output {
  out(text: string): void;
  error(text: string): void;
}

interface Command {
  readonly benchmarks: readonly Benchmark[];
  readonly options: BenchOptions;
  readonly json: boolean;
}

/** Runs the command. @returns its exit code: 0, or 2 if it cannot be understood */
export async function main(args: readonly string[], output: Output): Promise<number> {
  const command = parse(args);
  if (typeof command === "string") {
    output.error(`${command}\n`);
    return 2;
  }
  if (!command) {
    output.out(HELP);
    return 0;
  }
  for (const benchmark of command.benchmarks) {
    const rows: Row[] = [];
    for await (const row of benchmark.run(command.options)) {
      if (command.json) output.out(`${JSON.stringify(row)}\n`);
      else rows.push(row);
    }
    if (!command.json) output.out(`${renderTable(benchmark, rows)}\n`);
  }
  return 0;
}

/** @returns the command, `undefined` for help, or one line that says what is wrong */
function parse(args: readonly string[]): Command | string | undefined {
  let parsed: ReturnType<typeof parseBenchArgs>;
  try {
    parsed = parseBenchArgs(args);
  } catch (error) {
    return `${firstLine(error)} Run it with --help for all options.`;
  }
  const { values, positionals } = parsed;
  if (values.help) return undefined;
  const names = BENCHMARKS.map(({ name }) => name);
  const choice = `Name one or more of: ${names.join(", ")}, all.`;
  const unknown = positionals.filter((name) => name !== "all" && !names.includes(name));
  if (unknown.length > 0) return `No such benchmark: ${unknown.join(", ")}. ${choice}`;
  if (positionals.length === 0) return `Which benchmark? ${choice}`;
  const seeds = Number(values.seeds);
  if (!Number.isInteger(seeds) || seeds < 1 || seeds > 1_000_000) {
    return `--seeds ${values.seeds} is not a whole number from 1 to 1000000.`;
  }
  const scale = Number(values.scale);
  if (!(scale > 0 && scale <= 100))
    return `--scale ${values.scale} is not above 0 and at most 100.`;
  const isWanted = ({ name, isApart }: Benchmark) =>
    positionals.includes(name) || (positionals.includes("all") && !isApart);
  return {
    benchmarks: BENCHMARKS.filter(isWanted),
    options: { seeds, scale },
    json: values.json,
  };
}

function parseBenchArgs(args: readonly string[]) {
  return parseArgs({
    args: [...args],
    allowPositionals: true,
    options: {
      json: { type: "boolean", default: false },
      seeds: { type: "string", default: "100" },
      scale: { type: "string", default: "1" },
      help: { type: "boolean", default: false },
    },
  });
}

/** Node's own sentence on a wrong option, without its advice for the programmer. */
function firstLine(error: unknown): string {
  const text = error instanceof Error ? error.message : String(error);
  return `${text.split(/[.\n]/)[0]}.`;
}
