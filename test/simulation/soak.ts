import { availableParallelism } from "node:os";
import { parseArgs } from "node:util";
import { TARGET_NAMES } from "../../packages/board-c/test/support/build.js";
import { BOARDS_MODES } from "./board-plan.js";
import {
  type Cut,
  type CutWords,
  cutScenario,
  cutWords,
  parseCut,
  replayCommand,
  type VariantWords,
} from "./cut.js";
import { drawScenario } from "./draw-scenario.js";
import { FEATURE_NAMES, FEATURES } from "./features.js";
import { readScenario, writeScenario } from "./kept-scenario.js";
import { type RunOptions, runScenario, runSeed } from "./run.js";
import { shrink } from "./shrink.js";
import { type Order, type Outcome, Worker } from "./workers.js";

const USAGE = `Simulations with many seeds: npm run soak -- [options]

  --seeds N         how many seeds (default 1000)
  --from S          the first one (default 1)
  --seed S          this one only
  --boards MODE     stations run the endpoint in C: some of them with ts-c, all with c-c
  --board-target T  what it is built for: wasm (default), sanitized, small, native, big-endian
  --protected       all stations have keys for each other
  --jobs J          processes (default: one for each core)
  --without a,b     features that stay off
  --sends 0-3,7     with --seed: these messages only, by their places; none for none
  --strokes 0,2     with --seed: these restarts and the like only
  --intrusions 1-4  with --seed: these replays and strangers' datagrams only
  --trace           with --seed or --scenario: a line for each datagram
  --save FILE       with --seed: write the scenario into a file
  --scenario FILE   run what such a file holds
  --no-shrink       do not make failures smaller
  --features        list the features

Exit code 1 if a seed failed.
`;
/** Failures that are made smaller; more are only named. */
const SHRUNK_MAX = 5;

async function main(): Promise<number> {
  const { values } = parseArgs({
    options: {
      seeds: { type: "string", default: "1000" },
      from: { type: "string", default: "1" },
      seed: { type: "string" },
      jobs: { type: "string" },
      boards: { type: "string" },
      "board-target": { type: "string" },
      protected: { type: "boolean", default: false },
      without: { type: "string" },
      sends: { type: "string" },
      strokes: { type: "string" },
      intrusions: { type: "string" },
      save: { type: "string" },
      scenario: { type: "string" },
      trace: { type: "boolean", default: false },
      "no-shrink": { type: "boolean", default: false },
      features: { type: "boolean", default: false },
      worker: { type: "boolean", default: false },
      help: { type: "boolean", default: false },
    },
  });
  if (values.worker) return serve();
  if (values.help) return print(USAGE);
  if (values.features)
    return print(FEATURE_NAMES.map((name) => `${name.padEnd(15)} ${FEATURES[name]}\n`).join(""));
  const show = values.trace ? (line: string) => void print(`${line}\n`) : undefined;
  const variant = variantWords(values.boards, values["board-target"], values.protected);
  if (values.scenario !== undefined) return replay(values.scenario, show, variant);
  const words = onlyCutWords(values);
  const cut = parseCut(words);
  if (values.save !== undefined) return save(whole(values.seed ?? "", "seed"), cut, values.save);
  if (show) return runOne(whole(values.seed ?? values.from, "seed"), cut, show, variant);
  const from = whole(values.seed ?? values.from, "from");
  const seeds = values.seed ? 1 : whole(values.seeds, "seeds");
  const jobs = whole(values.jobs ?? String(availableParallelism()), "jobs");
  return soak({ from, seeds, jobs, words, variant, shrinks: !values["no-shrink"] });
}

interface SoakPlan {
  readonly from: number;
  readonly seeds: number;
  readonly jobs: number;
  readonly words: CutWords;
  readonly shrinks: boolean;
  readonly variant: VariantWords;
}

function onlyCutWords({ without, sends, strokes, intrusions }: CutWords): CutWords {
  return { without, sends, strokes, intrusions };
}

async function soak({ from, seeds, jobs, words, shrinks, variant }: SoakPlan): Promise<number> {
  const workers = Array.from({ length: Math.max(1, Math.min(jobs, seeds)) }, () => new Worker());
  const totals = { seeds: 0, datagrams: 0, messages: 0, virtualUs: 0 };
  const failed: Extract<Outcome, { ok: false }>[] = [];
  let next = from;
  const progress = () =>
    `${totals.seeds} of ${seeds} seeds, ${failed.length} failed, ${totals.messages} messages, ${totals.datagrams} datagrams, ${(totals.virtualUs / 3.6e9).toFixed(1)} h of virtual time`;
  const work = async (worker: Worker) => {
    while (next < from + seeds) {
      const outcome = await worker.run({ seed: next++, cut: words, variant });
      totals.seeds++;
      if (outcome.ok) {
        totals.datagrams += outcome.report.datagrams;
        totals.messages += outcome.report.messages;
        totals.virtualUs += outcome.report.virtualUs;
      } else {
        failed.push(outcome);
        note("");
        print(`${outcome.message}\n`);
      }
      note(progress());
    }
  };
  await Promise.all(workers.map(work));
  note("");
  print(`${progress()}\n`);
  failed.sort((one, other) => one.seed - other.seed);
  if (shrinks) await shrinkAll(failed.slice(0, SHRUNK_MAX), workers, parseCut(words), variant);
  for (const worker of workers) worker.stop();
  return failed.length > 0 ? 1 : 0;
}

async function shrinkAll(
  failed: readonly { readonly seed: number }[],
  workers: readonly Worker[],
  start: Cut,
  variant: VariantWords,
): Promise<void> {
  const waiting = [...failed];
  const work = async (worker: Worker) => {
    for (let one = waiting.shift(); one; one = waiting.shift()) {
      const { seed } = one;
      note(`making seed ${seed} smaller`);
      const fails = async (cut: Cut) =>
        !(await worker.run({ seed, cut: cutWords(cut), variant })).ok;
      const cut = await shrink(seed, start, fails);
      note("");
      print(`${describe(seed, cut)}\n  ${replayCommand(seed, cut, variant)}\n`);
    }
  };
  await Promise.all(workers.map(work));
}

/** What a failure needs. */
function describe(seed: number, cut: Cut): string {
  const { features, sends, strokes, intrusions } = cutScenario(
    drawScenario(seed, cut.without),
    cut,
  );
  const counts = `${sends.length} messages, ${strokes.length} strokes, ${intrusions.length} intrusions`;
  return `Seed ${seed} fails with ${counts}, and ${[...features].join(", ") || "no feature"}:`;
}

async function runOne(
  seed: number,
  cut: Cut,
  trace: (line: string) => void,
  variant: VariantWords,
): Promise<number> {
  try {
    const report = await runSeed(seed, { cut, trace, ...variantOptions(variant) });
    print(`Seed ${seed} went well: ${report.messages} messages, ${report.datagrams} datagrams.\n`);
    return 0;
  } catch (error) {
    print(`${messageOf(error)}\n`);
    return 1;
  }
}

function save(seed: number, cut: Cut, file: string): number {
  writeScenario(file, cutScenario(drawScenario(seed, cut.without), cut));
  return print(`Written: ${file}. Run it with npm run soak -- --scenario ${file} --trace\n`);
}

async function replay(
  file: string,
  trace: ((line: string) => void) | undefined,
  variant: VariantWords,
): Promise<number> {
  const scenario = readScenario(file);
  try {
    const report = await runScenario(scenario, {
      ...(trace && { trace }),
      ...variantOptions(variant),
    });
    print(`${file} went well: ${report.messages} messages, ${report.datagrams} datagrams.\n`);
    return 0;
  } catch (error) {
    print(`${file}: ${messageOf(error)}\n`);
    return 1;
  }
}

/** As a worker: seeds come from the parent, which also ends the process. */
function serve(): Promise<number> {
  // Most errors here are part of the play, and a third of their cost is the stack.
  Error.stackTraceLimit = 0;
  const run = async ({ seed, cut, variant }: Order): Promise<Outcome> => {
    try {
      const options = { cut: parseCut(cut), ...variantOptions(variant) };
      return { ok: true, seed, report: await runSeed(seed, options) };
    } catch (error) {
      return { ok: false, seed, message: messageOf(error) };
    }
  };
  process.on(
    "message",
    (order) => void run(order as Order).then((outcome) => process.send?.(outcome)),
  );
  return new Promise((resolve) => process.on("disconnect", () => resolve(0)));
}

/** @throws Error - what the options take */
function variantWords(
  mode: string | undefined,
  target: string | undefined,
  isProtected: boolean,
): VariantWords {
  return {
    ...(isProtected && { isProtected }),
    boards: oneOf(BOARDS_MODES, mode, "boards"),
    boardTarget: oneOf(TARGET_NAMES, target, "board-target"),
  };
}

function variantOptions({
  boards,
  boardTarget,
  isProtected,
}: VariantWords): Pick<RunOptions, keyof VariantWords> {
  return {
    ...(isProtected && { isProtected }),
    ...(boards && { boards }),
    ...(boardTarget && { boardTarget }),
  };
}

function oneOf<T extends string>(
  all: readonly T[],
  text: string | undefined,
  option: string,
): T | undefined {
  const found = all.find((each) => each === text);
  if (text !== undefined && !found)
    throw new Error(`--${option} ${text}: give ${all.join(" or ")}.`);
  return found;
}

function messageOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

function whole(text: string, option: string): number {
  const value = Number(text);
  if (!Number.isSafeInteger(value) || value < 0)
    throw new Error(`--${option} ${text}: give a whole number.`);
  return value;
}

function print(text: string): number {
  process.stdout.write(text);
  return 0;
}

/** Overwritten again and again on a terminal; nothing elsewhere. */
function note(text: string): void {
  if (process.stderr.isTTY) process.stderr.write(`\r\u001b[K${text}`);
}

main().then(
  (code) => process.exit(code),
  (error: unknown) => {
    process.stderr.write(`${error instanceof Error ? error.message : error}\n`);
    process.exit(2);
  },
);
