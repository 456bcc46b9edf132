// Breaks the core in the listed ways, one at a time and in a copy, and shows that the tests or the
// simulations notice each: `npm run mutate`, or with part of a name `npm run mutate -- probe`.

import { spawnSync } from "node:child_process";
import { cpSync, mkdtempSync, readFileSync, rmSync, symlinkSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { MUTATIONS, type Mutation } from "./mutations.js";

const root = fileURLToPath(new URL("../..", import.meta.url));
const copy = mkdtempSync(join(tmpdir(), "fardel-mutation-"));
/** A mutation may make a test run for ever: that, too, is noticed. */
const LIMIT_MS = 300_000;
const SOAK_SEEDS = 400;

type Verdict = "tests" | "tests, by never ending" | "simulations" | "nobody";

function makeCopy(): void {
  const listing = spawnSync("git", ["ls-files", "-z"], { cwd: root, encoding: "utf8" });
  for (const file of listing.stdout.split("\0").filter((name) => name !== "")) {
    cpSync(join(root, file), join(copy, file), { recursive: true });
  }
  // What is installed is shared: it lies beside each package, with links to its neighbours.
  for (const folder of ["", "packages/core", "packages/lossy-link", "test", "examples", "bench"]) {
    symlinkSync(join(root, folder, "node_modules"), join(copy, folder, "node_modules"));
  }
}

function run(args: readonly string[]): { isGood: boolean; isOver: boolean } {
  const result = spawnSync(process.execPath, args, {
    cwd: copy,
    stdio: "ignore",
    timeout: LIMIT_MS,
    killSignal: "SIGKILL",
  });
  return { isGood: result.status === 0, isOver: result.signal === null };
}

const vitest = join(root, "node_modules/vitest/vitest.mjs");
const tsx = join(root, "node_modules/tsx/dist/cli.mjs");

function whoNotices(): Verdict {
  const suites = ["packages/core/src", "test/promises", "test/hostile", "test/simulation"];
  const tests = run([vitest, "run", "--bail=1", ...suites]);
  if (!tests.isOver) return "tests, by never ending";
  if (!tests.isGood) return "tests";
  const soak = ["test/simulation/soak.ts", "--seeds", String(SOAK_SEEDS), "--from", "1000"];
  const simulations = run([tsx, "--tsconfig", "tsconfig.json", ...soak]);
  return simulations.isGood ? "nobody" : "simulations";
}

function judge({ file, find, replace }: Mutation): Verdict {
  const path = join(copy, "packages/core/src", file);
  const text = readFileSync(path, "utf8");
  if (text.split(find).length !== 2) throw new Error(`${path}: not there once: ${find}`);
  writeFileSync(
    path,
    text.replace(find, () => replace),
  );
  try {
    return whoNotices();
  } finally {
    writeFileSync(path, text);
  }
}

const wanted = process.argv.slice(2).join(" ");
const chosen = MUTATIONS.filter(({ name }) => name.includes(wanted));
if (chosen.length === 0) {
  console.error(`No mutation in test/mutation/mutations.ts has "${wanted}" in its name.`);
  process.exit(2);
}
const survivors: string[] = [];
try {
  makeCopy();
  // Or everything would count as noticed.
  if (whoNotices() !== "nobody") throw new Error("The copy does not pass its tests unbroken.");
  for (const mutation of chosen) {
    const verdict = judge(mutation);
    if (verdict === "nobody") survivors.push(mutation.name);
    console.log(`${verdict === "nobody" ? "SURVIVED" : "caught  "}  ${mutation.name}: ${verdict}`);
  }
} finally {
  rmSync(copy, { recursive: true, force: true });
}
console.log(`${chosen.length - survivors.length} of ${chosen.length} were noticed.`);
for (const name of survivors) console.log(`Survived: ${name}`);
process.exitCode = survivors.length === 0 ? 0 : 1;
