/**
 * Fuzzes the endpoint or the bridge, by hand:
 *
 *     node scripts/run.mjs packages/board-c/test/fuzz/run.ts endpoint 600
 *
 * `endpoint` or `bridge`, then seconds. Behind them, in any order:
 *
 * - `--keep`: at the end, the smallest set of inputs that reaches as much goes to `corpus/<target>.hex`.
 * - `NAME=value`: defined for all files, for instance `FARDEL_SEND_WINDOW=1`.
 * - `--show HEX`: instead of all that, runs one input and prints what happens.
 */
import { spawnSync } from "node:child_process";
import {
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { buildTarget, readCorpus, TARGETS, type TargetName, writeCorpus } from "./target.js";

/** Longest input, bytes: of those that are tried, and of those that are kept. */
const TRIED_BYTES_MAX = 1200;
const KEPT_BYTES_MAX = 500;
/** One input that takes longer is a finding, seconds. */
const INPUT_S_MAX = 10;

interface Order {
  readonly target: TargetName;
  readonly seconds: number;
  readonly isKept: boolean;
  readonly shown: string | undefined;
  readonly defines: readonly string[];
}

function readOrder(words: readonly string[]): Order | undefined {
  const target = TARGETS.find((name) => name === words[0]);
  const show = words.indexOf("--show");
  const seconds = Number(words[1]);
  if (!target || !(show > 0 || seconds > 0)) return undefined;
  return {
    target,
    seconds,
    isKept: words.includes("--keep"),
    shown: show > 0 ? (words[show + 1] ?? "") : undefined,
    defines: words.filter((word) => /^\w+=\w+$/.test(word)),
  };
}

/** @returns its exit code */
function run(program: string, ...words: string[]): number {
  return spawnSync(program, words, { stdio: "inherit" }).status ?? 1;
}

function show(folder: string, { target, shown = "", defines }: Order): number {
  const program = join(folder, "show");
  const input = join(folder, "input");
  buildTarget(target, "fuzzer", program, [...defines, "FUZZ_TRACE"]);
  writeFileSync(input, Buffer.from(shown, "hex"));
  return run(program, `-timeout=${INPUT_S_MAX}`, input);
}

function fuzz(folder: string, { target, seconds, isKept, defines }: Order): number {
  const program = join(folder, "fuzzer");
  const corpus = join(folder, "corpus");
  const smallest = join(folder, "smallest");
  const findings = join(folder, "findings");
  buildTarget(target, "fuzzer", program, defines);
  for (const each of [corpus, smallest, findings]) mkdirSync(each);
  readCorpus(target).forEach((input, index) => {
    writeFileSync(join(corpus, `kept-${index}`), input);
  });
  const result = run(
    program,
    ...[`-max_total_time=${seconds}`, `-max_len=${TRIED_BYTES_MAX}`, `-timeout=${INPUT_S_MAX}`],
    ...["-print_final_stats=1", "-verbosity=1", `-artifact_prefix=${findings}/`, corpus],
  );
  for (const name of readdirSync(findings)) {
    const hex = readFileSync(join(findings, name)).toString("hex");
    process.stdout.write(`\n${name}. To see what happens: run.ts ${target} --show ${hex}\n`);
  }
  if (result !== 0 || !isKept) return result;
  // By what is reached at all, not by how often: then a few are enough.
  const merging = ["-merge=1", "-set_cover_merge=1", "-use_counters=0"];
  const merged = run(program, ...merging, `-max_len=${KEPT_BYTES_MAX}`, smallest, corpus);
  if (merged !== 0) return merged;
  const kept = readdirSync(smallest).map((name) => readFileSync(join(smallest, name)));
  writeCorpus(target, kept);
  process.stdout.write(`Kept ${kept.length} inputs.\n`);
  return 0;
}

function main(): number {
  const order = readOrder(process.argv.slice(2));
  if (!order) {
    process.stderr.write(
      "Say what, and for how many seconds: run.ts endpoint 600, or bridge 600\n",
    );
    return 2;
  }
  const folder = mkdtempSync(join(tmpdir(), "fardel-fuzz-"));
  try {
    return order.shown === undefined ? fuzz(folder, order) : show(folder, order);
  } finally {
    if (existsSync(folder)) rmSync(folder, { recursive: true, force: true });
  }
}

process.exitCode = main();
