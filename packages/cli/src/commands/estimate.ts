import { stat } from "node:fs/promises";
import { presets } from "@fardel/lossy-link";
import { type Command, Option } from "commander";
import type { Context } from "../context.js";
import { type CheckResult, checkFigures } from "../estimate/check.js";
import { type EstimateQuestion, estimateFigures, type Figure } from "../estimate/figures.js";
import { renderEstimate } from "../estimate/render.js";
import { fileProblem } from "../explain-error.js";
import { count, counted } from "../format.js";
import { withHelp } from "../help.js";
import { byteCount, durationUs, share, wholeNumber } from "../option-values.js";
import { writeJson } from "../output.js";
import { EXIT, interrupted, usageProblem } from "../problem.js";
import { startProgress } from "../progress.js";
import { MESSAGE_BYTES_MAX } from "../scenario/limits.js";
import { PRESET_NAMES, type PresetName } from "../scenario/schema.js";

interface EstimateOptions {
  readonly bytes: string;
  readonly linkPreset: PresetName;
  readonly loss: number;
  readonly mtu?: number;
  readonly window: number;
  readonly every: number;
  readonly check?: boolean;
  readonly seeds: number;
  readonly tolerance: number;
  readonly json?: boolean;
}

/** Beyond, hardly anything gets through and the formulas say nothing. */
const LOSS_MAX = 0.9;
const HOUR_US = 3_600_000_000;
const SEEDS_MAX = 10_000;
const TOLERANCE = 0.1;

/** `fardel estimate` */
export function addEstimate(program: Command, context: Context): void {
  const preset = new Option("--link-preset <name>", "kind of link")
    .choices(PRESET_NAMES)
    .default("reference");
  const every = new Option("--every <duration>", "how often it is sent, for the duty cycle")
    .argParser(durationUs)
    .default(HOUR_US, "1h");
  const tolerance = new Option(
    "--tolerance <share>",
    "difference that --check accepts beyond chance",
  )
    .argParser(share)
    .default(TOLERANCE, "10%");
  const command = program
    .command("estimate")
    .description(
      "What it takes to deliver a message, by formulas: datagrams, airtime, time, memory.",
    )
    .requiredOption("--bytes <size|file>", "size of the message, such as 12458 or 64kB, or a file")
    .addOption(preset)
    .option("--loss <share>", "share of datagrams lost each way, up to 0.9", share, 0)
    .option("--mtu <bytes>", "largest datagram (default: the preset's)", wholeNumber(20, 65_535))
    .option("--window <fragments>", "window of the board", wholeNumber(1, 255), 64)
    .addOption(every)
    .option("--check", "simulate it too and compare")
    .option("--seeds <count>", "runs of the simulation", wholeNumber(2, SEEDS_MAX), 100)
    .addOption(tolerance)
    .option("--json", "print one line of JSON")
    .action((options: EstimateOptions) => estimate(options, context));
  withHelp(command, {
    notes: [
      "The formulas assume independent loss, no other traffic, and a board that takes what comes.\n`fardel simulate` knows bursts, outages and several boards.",
    ],
    examples: [
      ["fardel estimate --bytes 12458 --loss 0.2 --window 16", "a table to one board"],
      [
        "fardel estimate --bytes update.bin --loss 20% --check",
        "the same beside a hundred simulated runs",
      ],
    ],
    exitCodes: {
      failed: "--check: a figure differs by more than the tolerance",
      interrupted: "ended by Ctrl-C; what --check had simulated until then is shown",
    },
  });
}

async function estimate(options: EstimateOptions, context: Context): Promise<void> {
  const question = await questionOf(options);
  const figures = estimateFigures(question);
  if (!options.check) {
    print(question, figures, options, context);
    return;
  }
  const result = await check(question, figures, options, context);
  if (result.runs === 0) throw interrupted("Ended by Ctrl-C before the first run was done.");
  print(question, result.figures, options, context, result);
  if (result.isPartial) context.exitWith(EXIT.interrupted);
  else if (!result.isWithin) context.exitWith(EXIT.failed);
}

async function questionOf(options: EstimateOptions): Promise<EstimateQuestion> {
  const { linkPreset: preset, loss, window, every: everyUs } = options;
  if (loss > LOSS_MAX) {
    throw usageProblem(`--loss ${loss} is too much: give a share up to ${LOSS_MAX}.`);
  }
  const bytes = await sizeOf(options.bytes);
  if (bytes > MESSAGE_BYTES_MAX) {
    throw usageProblem(
      `A message of ${count(bytes)} bytes is larger than an endpoint takes unless told otherwise, ${count(MESSAGE_BYTES_MAX)} bytes. Split it.`,
    );
  }
  const mtuBytes = options.mtu ?? presets[preset]().mtuBytes;
  return { bytes, preset, mtuBytes, loss, window, everyUs };
}

/** A number is a size; everything else names a file. */
async function sizeOf(text: string): Promise<number> {
  if (text === "0") return 0;
  if (/^\d+(\.\d+)?\s*[A-Za-z]*$/.test(text)) return byteCount(text);
  try {
    const file = await stat(text);
    if (file.isFile()) return file.size;
  } catch (error) {
    throw fileProblem(text, error);
  }
  throw usageProblem(`${text} is not a file. Give --bytes a size or a file.`);
}

async function check(
  question: EstimateQuestion,
  figures: readonly Figure[],
  { seeds, tolerance }: EstimateOptions,
  { output, signal }: Context,
): Promise<CheckResult> {
  const progress = startProgress(output, seeds);
  const onRun = (runs: number) =>
    progress.update(runs, `${count(runs)} of ${counted(seeds, "run")}`);
  try {
    return await checkFigures(question, figures, { seeds, tolerance, signal, onRun });
  } finally {
    progress.stop();
  }
}

function print(
  question: EstimateQuestion,
  figures: CheckResult["figures"],
  { json, tolerance }: EstimateOptions,
  { output }: Context,
  result?: CheckResult,
): void {
  if (json) {
    const { figures: _, ...verdict } = result ?? { figures };
    const check = result ? { check: { ...verdict, tolerance } } : {};
    writeJson(output, { type: "result", ...question, figures, ...check });
    return;
  }
  const checked = result && { ...result, tolerance };
  output.out(`${renderEstimate(question, figures, checked).join("\n")}\n`);
}
