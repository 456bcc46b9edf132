import { spawnSync } from "node:child_process";
import { readdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

/*
 * The fuzzing targets: how each is built, and the corpus that is kept of it.
 */

const HERE = fileURLToPath(new URL(".", import.meta.url));
const ROOT = fileURLToPath(new URL("../..", import.meta.url));

/** Which folders of `src` a target needs; `src/*.c` is in all of them. */
const FOLDERS = {
  /** The endpoint, and the inbox before it. */
  endpoint: ["endpoint", "inbox"],
  bridge: ["bridge"],
} as const;

export type TargetName = keyof typeof FOLDERS;
export const TARGETS = Object.keys(FOLDERS) as TargetName[];

const SANITIZERS = "address,undefined";
const OPTIONS = [
  ...["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "-g", "-O1"],
  ...["-fno-sanitize-recover=all", "-I", join(ROOT, "include")],
];
/** Who runs the inputs. */
const RUNNERS = {
  /** Makes inputs up: libFuzzer, a part of clang. */
  fuzzer: { compiler: "clang", options: [`-fsanitize=fuzzer,${SANITIZERS}`], source: undefined },
  /** Runs those that it is given. */
  replay: { compiler: "gcc", options: [`-fsanitize=${SANITIZERS}`], source: "replay.c" },
} as const;

/**
 * Builds a target.
 * @param file - where the program is put
 * @param defines - `NAME` or `NAME=value`
 * @throws Error with what the compiler says
 */
export function buildTarget(
  target: TargetName,
  runner: keyof typeof RUNNERS,
  file: string,
  defines: readonly string[] = [],
): void {
  const { compiler, options, source } = RUNNERS[runner];
  const own = filesIn(HERE, `${target}-`);
  const library = ["", ...FOLDERS[target]].flatMap((folder) => filesIn(join(ROOT, "src", folder)));
  const sources = [...own, ...(source ? [join(HERE, source)] : []), ...library];
  const words = [...OPTIONS, ...options, ...defines.map((define) => `-D${define}`)];
  const result = spawnSync(compiler, [...words, ...sources, "-o", file], { encoding: "utf8" });
  if (result.status !== 0)
    throw new Error(`${target} was not built: ${result.error?.message ?? result.stderr}`);
}

function filesIn(folder: string, beginning = ""): string[] {
  return readdirSync(folder)
    .filter((name) => name.startsWith(beginning) && name.endsWith(".c"))
    .sort()
    .map((name) => join(folder, name));
}

function corpusFile(target: TargetName): string {
  return join(HERE, "corpus", `${target}.hex`);
}

/** The file as it is: for `replay`. */
export function corpusText(target: TargetName): string {
  return readFileSync(corpusFile(target), "utf8");
}

/** The inputs. */
export function readCorpus(target: TargetName): Buffer[] {
  return corpusText(target)
    .split("\n")
    .filter((line) => line !== "" && !line.startsWith("#"))
    .map((line) => Buffer.from(line, "hex"));
}

/** What begins the line above an input that has once found a fault: it stays, at the top. */
const FOUND = "# Found: ";

/** Puts these inputs in the place of those that are there, the shortest first. */
export function writeCorpus(target: TargetName, inputs: readonly Buffer[]): void {
  const lines = corpusText(target).split("\n");
  const top = lines.filter((line, at) => line.startsWith("#") || lines[at - 1]?.startsWith(FOUND));
  const rest = inputs
    .map((input) => input.toString("hex"))
    .filter((line) => line !== "" && !top.includes(line))
    .sort((one, other) => one.length - other.length || (one < other ? -1 : 1));
  writeFileSync(corpusFile(target), `${[...top, ...rest].join("\n")}\n`);
}
