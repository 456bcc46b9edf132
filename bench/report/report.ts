import type { Benchmark, BenchOptions, Row } from "../benchmark.js";
import { byHand } from "../by-hand/by-hand.js";
import { BENCHMARKS } from "../cli.js";
import { codecs } from "../codecs/codecs.js";
import { handbook } from "../handbook/handbook.js";
import { deliveries } from "./deliveries.js";
import { drawDelivery } from "./delivery-plot.js";
import { drawEfficiency } from "./efficiency-plot.js";
import { renderPage } from "./page.js";
import { commandFor, type Results } from "./results.js";
import { sequence } from "./sequence.js";
import { drawSequence } from "./sequence-plot.js";

/** What only the plots need: `npm run bench` does not offer it. */
const FOR_PLOTS: readonly Benchmark[] = [deliveries, sequence];

/** All that the page shows, each once. */
export const REPORTED: readonly Benchmark[] = [
  ...new Set<Benchmark>([...BENCHMARKS, byHand, handbook, codecs, ...FOR_PLOTS]),
];

/** Files of the page, by their names relative to the folder of the benchmarks. */
export type Files = ReadonlyMap<string, string>;

export function resultsFile(bench: string): string {
  return `results/${bench}.jsonl`;
}

/** The page and its plots, from rows alone: the same rows give the same bytes. */
export function renderFiles(results: readonly Results[]): Files {
  const rowsOf = (name: string): readonly Row[] =>
    results.find(({ bench }) => bench === name)?.rows ?? [];
  return new Map([
    ["RESULTS.md", renderPage(REPORTED, results)],
    [
      "plots/efficiency.svg",
      drawEfficiency(rowsOf("efficiency"), rowsOf("by-hand"), rowsOf("kernel-tcp")),
    ],
    ["plots/delivery.svg", drawDelivery(rowsOf("deliveries"))],
    ["plots/sequence.svg", drawSequence(rowsOf("sequence"))],
  ]);
}

/** Rows of one benchmark; no rows if it cannot run here and has said so. */
export async function measured(
  benchmark: Benchmark,
  options: BenchOptions,
  machine: string,
): Promise<Results> {
  const rows: Row[] = [];
  for await (const row of benchmark.run(options)) rows.push(row);
  const bench = benchmark.name;
  return { bench, command: commandOf(bench, options), machine, rows };
}

/** What to type to measure it again. */
export function commandOf(bench: string, options: BenchOptions): string {
  const command = commandFor(bench, options);
  const isForPlots = FOR_PLOTS.some(({ name }) => name === bench);
  return isForPlots ? command.replace("bench -- ", "report -- --only ") : command;
}
