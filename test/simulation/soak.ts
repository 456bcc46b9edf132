import { availableParallelism } from "node:os";
import { parseArgs } from "node:util";
import { FEATURE_NAMES, FEATURES, type Feature } from "./features.js";
import { replayCommand, runSeed } from "./run.js";
import { shrink, withoutOption } from "./shrink.js";
import { type Order, type Outcome, Worker } from "./workers.js";

const USAGE = `Simulations with many seeds: npm run soak -- [options]

  --seeds N         how many seeds (default 1000)
  --from S          the first one (default 1)
  --seed S          this one only
  --jobs J          processes (default: one for each core)
  --without a,b     features that stay off
  --trace           with --seed: a line for each datagram
  --no-shrink       do not look for the features that a failure needs
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
      without: { type: "string", default: "" },
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
  const without = featuresIn(values.without);
  if (values.trace) return trace(whole(values.seed ?? values.from, "seed"), without);
  const from = whole(values.seed ?? values.from, "from");
  const seeds = values.seed ? 1 : whole(values.seeds, "seeds");
  const jobs = whole(values.jobs ?? String(availableParallelism()), "jobs");
  return soak({ from, seeds, jobs, without, shrinks: !values["no-shrink"] });
}

interface SoakPlan {
  readonly from: number;
  readonly seeds: number;
  readonly jobs: number;
  readonly without: readonly Feature[];
  readonly shrinks: boolean;
}

async function soak({ from, seeds, jobs, without, shrinks }: SoakPlan): Promise<number> {
  const workers = Array.from({ length: Math.max(1, Math.min(jobs, seeds)) }, () => new Worker());
  const totals = { seeds: 0, datagrams: 0, messages: 0, virtualUs: 0 };
  const failed: Extract<Outcome, { ok: false }>[] = [];
  let next = from;
  const progress = () =>
    `${totals.seeds} of ${seeds} seeds, ${failed.length} failed, ${totals.messages} messages, ${totals.datagrams} datagrams, ${(totals.virtualUs / 3.6e9).toFixed(1)} h of virtual time`;
  const work = async (worker: Worker) => {
    while (next < from + seeds) {
      const outcome = await worker.run({ seed: next++, without });
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
  if (shrinks) await shrinkAll(failed.slice(0, SHRUNK_MAX), workers, without);
  for (const worker of workers) worker.stop();
  return failed.length > 0 ? 1 : 0;
}

async function shrinkAll(
  failed: readonly { readonly seed: number }[],
  workers: readonly Worker[],
  without: readonly Feature[],
): Promise<void> {
  const waiting = [...failed];
  const work = async (worker: Worker) => {
    for (let one = waiting.shift(); one; one = waiting.shift()) {
      note(`making seed ${one.seed} smaller`);
      const needed = await shrink(one.seed, worker, without);
      note("");
      const command = replayCommand(one.seed) + withoutOption(one.seed, needed);
      print(`Seed ${one.seed} needs ${needed.join(", ") || "nothing in particular"}: ${command}\n`);
    }
  };
  await Promise.all(workers.map(work));
}

async function trace(seed: number, without: readonly Feature[]): Promise<number> {
  try {
    const report = await runSeed(seed, {
      without: new Set(without),
      trace: (line) => print(`${line}\n`),
    });
    print(`Seed ${seed} went well: ${report.messages} messages, ${report.datagrams} datagrams.\n`);
    return 0;
  } catch (error) {
    print(`${error instanceof Error ? error.message : error}\n`);
    return 1;
  }
}

/** As a worker: seeds come from the parent, which also ends the process. */
function serve(): Promise<number> {
  const run = async ({ seed, without }: Order): Promise<Outcome> => {
    try {
      return { ok: true, seed, report: await runSeed(seed, { without: new Set(without) }) };
    } catch (error) {
      return { ok: false, seed, message: error instanceof Error ? error.message : String(error) };
    }
  };
  process.on(
    "message",
    (order) => void run(order as Order).then((outcome) => process.send?.(outcome)),
  );
  return new Promise((resolve) => process.on("disconnect", () => resolve(0)));
}

function featuresIn(list: string): Feature[] {
  const names = list.split(",").filter((name) => name !== "");
  const unknown = names.find((name) => !(name in FEATURES));
  if (unknown) throw new Error(`There is no feature ${unknown}. List them with --features.`);
  return names as Feature[];
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
