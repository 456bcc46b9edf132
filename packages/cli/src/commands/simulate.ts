import { readFile } from "node:fs/promises";
import { basename } from "node:path";
import type { Observation } from "@fardel/lossy-link";
import type { Command } from "commander";
import type { Context } from "../context.js";
import { fileProblem } from "../explain-error.js";
import { count, counted } from "../format.js";
import { withHelp } from "../help.js";
import { wholeNumber } from "../option-values.js";
import { printable, writeJson } from "../output.js";
import { EXIT, interrupted, Problem, usageProblem } from "../problem.js";
import { startProgress } from "../progress.js";
import { finishRecording } from "../recording/observation.js";
import { renderReport } from "../report/report.js";
import { type Case, cutUs } from "../scenario/cases.js";
import { CASES_MAX, FILE_BYTES_MAX, SAMPLES_MAX, SEEDS_MAX } from "../scenario/limits.js";
import { parseScenario, type Scenario } from "../scenario/parse.js";
import { AirLog } from "../simulation/air-log.js";
import { datagramOf, recordRun } from "../simulation/record-run.js";
import {
  jsonOf,
  renderCsv,
  renderFailures,
  renderTable,
  TABLE_NOTES,
} from "../simulation/render.js";
import type { Watcher } from "../simulation/run-once.js";
import { type Seeds, type SweepResult, sweep } from "../simulation/sweep.js";
import { traceRun } from "../simulation/trace-run.js";
import { checkResultOptions, ResultFiles, type ResultOptions } from "./simulate-files.js";

interface SimulateOptions extends ResultOptions {
  readonly seeds: number;
  readonly from: number;
  readonly seed?: number;
  readonly case?: number;
  readonly trace?: boolean;
  readonly record?: string;
  readonly allowFailures?: boolean;
}

/** Seeds are whole numbers; up to here they are printed as they are. */
const SEED_MAX = 1_000_000_000;
/** Failed runs that are listed for people; `--json` lists more. */
const FAILURES_SHOWN = 10;

/** `fardel simulate` */
export function addSimulate(program: Command, context: Context): void {
  const command = program
    .command("simulate")
    .description("Run a scenario many times over a simulated channel, in virtual time.")
    .argument("<scenario>", "JSON file, comments allowed; - reads standard input")
    .option("--seeds <count>", "runs of each combination", wholeNumber(1, SEEDS_MAX), 100)
    .option("--from <seed>", "first seed", wholeNumber(1, SEED_MAX), 1)
    .option("--seed <seed>", "run this seed alone", wholeNumber(1, SEED_MAX))
    .option("--case <number>", "run this combination alone", wholeNumber(1, CASES_MAX))
    .option("--trace", "print what happens in one run: each datagram and its fate")
    .option("--record <file>", "with --trace: write every datagram to a new file, NAME.pcapng")
    .option("--csv <file>", "write the results as CSV too; - writes only that, to standard output")
    .option("--html <file>", "write a page with tables and drawings too; - writes only that")
    .option("--json", "one object for each combination, then the result")
    .option("--allow-failures", "exit with 0 also when runs failed")
    .action((scenario: string, options: SimulateOptions) =>
      simulate(scenario, options, context, program.version() ?? ""),
    );
  withHelp(command, {
    notes: [
      "A field of the scenario that is given as a list is swept: every combination is run with every\nseed. The same seed gives the same run on every machine. SIMULATE.md describes the file.",
    ],
    examples: [
      ["fardel simulate frost.json", "each combination a hundred times"],
      ["fardel simulate frost.json --seeds 1000 --csv frost.csv", "more runs, and a file of them"],
      ["fardel simulate frost.json --html frost.html", "a page with drawings, to be mailed"],
      ["fardel simulate frost.json --seed 17 --case 3 --trace", "one run, datagram by datagram"],
      [
        "fardel simulate frost.json --seed 17 --case 3 --trace --record run.pcapng",
        "the same for the usual open analyser",
      ],
    ],
    exitCodes: {
      done: "every run did what it should",
      failed: "a run failed",
      usage: "the command line or the scenario cannot be understood",
      interrupted: "ended by Ctrl-C; what was done until then is printed",
    },
  });
}

async function simulate(
  path: string,
  options: SimulateOptions,
  context: Context,
  version: string,
): Promise<void> {
  checkResultOptions(options);
  const source = await readScenario(path, context);
  const scenario = parseScenario(nameOf(path), source);
  const cases = chosenCases(scenario, options.case);
  if (options.trace) {
    await trace(path, cases, options, context);
    return;
  }
  if (options.record !== undefined) throw usageProblem("--record goes with --trace.");
  const seeds = chosenSeeds(options);
  checkSamples(cases, seeds);
  const files = await ResultFiles.open(options);
  try {
    const isOneRun = cases.length === 1 && seeds.count === 1;
    const air = isOneRun && options.html !== undefined ? new AirLog() : undefined;
    const result = await runAll(cases, seeds, context, air);
    // A page that is mailed tells nothing of the folders of whoever wrote it.
    const name = basename(path);
    const [command, replay] = [commandLine(name, options), replayOf(name)];
    const html = () =>
      renderReport({ scenario, source, cases, seeds, result, air, command, replay, version });
    await files.writeCsv(() => renderCsv(result.summaries));
    if (result.runs > 0) {
      if (options.csv === "-") context.output.out(renderCsv(result.summaries));
      else if (options.html === "-") context.output.out(await html());
      else if (options.json) writeResult(scenario, result, context);
      else print(path, scenario, cases, seeds, result, context);
    }
    await files.writeHtml(html);
    if (result.runs === 0) throw interrupted("Ended by Ctrl-C before the first run was done.");
    if (result.isPartial) context.exitWith(EXIT.interrupted);
    else if (result.failedRuns > 0 && !options.allowFailures) context.exitWith(EXIT.failed);
  } finally {
    await files.close();
  }
}

function nameOf(path: string): string {
  return path === "-" ? "standard input" : path;
}

async function readScenario(path: string, { input }: Context): Promise<string> {
  const parts: Uint8Array[] = [];
  let bytes = 0;
  try {
    for await (const part of path === "-" ? input : [await readFile(path)]) {
      bytes += part.length;
      if (bytes > FILE_BYTES_MAX) {
        const sentence = `${nameOf(path)} is larger than ${count(FILE_BYTES_MAX)} bytes: that is no scenario.`;
        throw usageProblem(sentence, "bad-scenario");
      }
      parts.push(part);
    }
  } catch (error) {
    throw error instanceof Problem ? error : fileProblem(nameOf(path), error);
  }
  return new TextDecoder().decode(Buffer.concat(parts));
}

function chosenCases({ cases }: Scenario, number: number | undefined): readonly Case[] {
  if (number === undefined) return cases;
  const chosen = cases[number - 1];
  if (chosen) return [chosen];
  throw usageProblem(
    `There is no combination ${number}: the scenario has ${count(cases.length)}. Give --case 1 to ${cases.length}.`,
  );
}

function chosenSeeds({ seed, from, seeds }: SimulateOptions): Seeds {
  return seed === undefined ? { from, count: seeds } : { from: seed, count: 1 };
}

function checkSamples(cases: readonly Case[], seeds: Seeds): void {
  const perRun = Math.max(
    ...cases.map(({ boards, messages }) =>
      messages.reduce((sum, message) => sum + boards * message.count, 0),
    ),
  );
  const samples = perRun * seeds.count;
  if (samples > SAMPLES_MAX) {
    throw usageProblem(
      `${counted(seeds.count, "run")} of ${counted(perRun, "message")} make ${count(samples)} delivery times for one combination; at most ${count(SAMPLES_MAX)} are kept. Give fewer --seeds.`,
    );
  }
}

async function runAll(
  cases: readonly Case[],
  seeds: Seeds,
  { output, signal }: Context,
  watcher: Watcher | undefined,
): Promise<SweepResult> {
  const runsTotal = cases.length * seeds.count;
  const progress = startProgress(output, runsTotal);
  const tell = (runs: number) =>
    progress.update(runs, `${count(runs)} of ${counted(runsTotal, "run")}`);
  try {
    return await sweep(cases, seeds, signal, tell, watcher);
  } finally {
    progress.stop();
  }
}

function writeResult({ title }: Scenario, result: SweepResult, { output }: Context): void {
  const { summaries, ...counts } = result;
  for (const summary of summaries) writeJson(output, jsonOf(summary));
  writeJson(output, { type: "result", title, ...counts });
}

function print(
  path: string,
  { title }: Scenario,
  cases: readonly Case[],
  seeds: Seeds,
  result: SweepResult,
  { output }: Context,
): void {
  const last = seeds.from + seeds.count - 1;
  const which = seeds.count === 1 ? `seed ${last}` : `seeds ${seeds.from} to ${last}`;
  const cut = Math.max(...cases.map(cutUs));
  const failures = renderFailures(result, FAILURES_SHOWN, replayOf(path));
  const lines = [
    title,
    `${counted(cases.length, "combination")}, ${which}; virtual time. A run that has not ended after ${count(cut / 1e6)} s is cut and counts as failed.`,
    ...(result.isPartial
      ? [
          `PARTIAL: ended by Ctrl-C after ${count(result.runs)} of ${counted(result.runsPlanned, "run")}.`,
        ]
      : []),
    "",
    ...renderTable(result.summaries),
    "",
    ...TABLE_NOTES,
    ...(failures.length > 0 ? ["", ...failures] : []),
  ];
  output.out(`${lines.join("\n")}\n`);
}

/** The command that shows a run again, datagram by datagram. */
function replayOf(path: string): (seed: number, number: number) => string {
  return (seed, number) =>
    `fardel simulate ${shellWord(path)} --seed ${seed} --case ${number} --trace`;
}

/** The command that gives the same results. What it writes them to is left to who types it. */
function commandLine(path: string, options: SimulateOptions): string {
  const { seeds, from, seed, case: number } = options;
  const words = ["fardel", "simulate", shellWord(path)];
  if (seed !== undefined) words.push("--seed", String(seed));
  else words.push("--seeds", String(seeds), ...(from === 1 ? [] : ["--from", String(from)]));
  if (number !== undefined) words.push("--case", String(number));
  return [...words, "--html report.html"].join(" ");
}

/** A path as a word of the shell's command line. */
function shellWord(path: string): string {
  const shown = printable(path);
  return /^[\w./:@%+,-]+$/.test(shown) ? shown : `'${shown.replaceAll("'", "'\\''")}'`;
}

async function trace(
  path: string,
  cases: readonly Case[],
  options: SimulateOptions,
  context: Context,
): Promise<void> {
  const [each, other] = cases;
  if (options.csv !== undefined) throw usageProblem("--trace shows one run: leave out --csv.");
  if (options.html !== undefined) throw usageProblem("--trace prints one run: leave out --html.");
  if (options.seed === undefined) throw usageProblem("--trace shows one run: add --seed NUMBER.");
  if (each === undefined || other !== undefined) {
    throw usageProblem(
      `--trace shows one run, but ${nameOf(path)} has ${count(cases.length)} combinations: add --case 1 to ${cases.length}.`,
    );
  }
  const { output, signal } = context;
  const json = options.json === true;
  const write = (text: string) => output.out(text);
  const { record, seed } = options;
  const recorder =
    record === undefined ? undefined : await recordRun(record, each, seed, nameOf(path), context);
  const observed =
    recorder && ((observation: Observation) => recorder.write(datagramOf(observation)));
  const run = await traceRun(each, seed, signal, { json, write, ...(observed && { observed }) });
  if (recorder) await finishRecording(recorder, record ?? "", context);
  if (run === undefined) throw interrupted("Ended by Ctrl-C before the run was over.");
  const { failureCount, failures, datagrams, elapsedUs, efficiency } = run;
  if (json) {
    const figures = { datagrams, elapsedUs, efficiency };
    writeJson(output, { type: "result", seed: run.seed, case: each.number, failures, ...figures });
  } else {
    const what = failureCount === 0 ? "no failure" : `failed: ${failures.join("; ")}`;
    const ms = (elapsedUs / 1000).toFixed(3);
    output.out(
      `Seed ${run.seed}, case ${each.number}: ${counted(datagrams, "datagram")}, the last delivery after ${ms} ms; ${printable(what)}.\n`,
    );
  }
  if (failureCount > 0 && !options.allowFailures) context.exitWith(EXIT.failed);
}
