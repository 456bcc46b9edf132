import { spawnSync } from "node:child_process";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { FREESTANDING, ROOT, sourcesIn } from "./support/sources.js";

/* What programs find that read the C code without running it. */

const INCLUDE = ["-I", join(ROOT, "include")];
/** Twice as long as these take on a busy machine, milliseconds. */
const SLOW_MS = 240_000;

function said(command: string, words: readonly string[]): string {
  const { status, stdout, stderr, error } = spawnSync(command, words, { encoding: "utf8" });
  return `${stdout}${stderr}${status === 0 ? "" : (error?.message ?? `Exit code ${status}.`)}`;
}

/** Whether a file includes headers of a library that is not ours, nor C's. */
function needsMore(file: string): boolean {
  return /^#include <\w+\//m.test(readFileSync(file, "utf8"));
}

describe.skipIf(lacksCommands("cppcheck"))("cppcheck", () => {
  it("finds nothing", () => {
    const kinds = "--enable=warning,performance,portability";
    const folders = ["include", "src", "examples", "arm"].map((name) => join(ROOT, name));
    // That check takes a struct for unset when only those of its fields are set that are read.
    const left = "--suppress=ctuuninitvar";
    const options = ["--std=c99", kinds, left, "--inline-suppr", "--error-exitcode=1", "--quiet"];
    expect(said("cppcheck", [...options, ...INCLUDE, ...folders])).toBe("");
  }, 60_000);
});

describe.skipIf(lacksCommands("clang"))("clang --analyze", () => {
  const options = ["--analyze", "-Xclang", "-analyzer-output=text", "-std=c99", ...INCLUDE];

  it(
    "finds nothing in the libraries and the examples",
    () => {
      const examples = sourcesIn("examples").filter((file) => !needsMore(file));
      expect(said("clang", [...options, ...sourcesIn("src"), ...examples])).toBe("");
    },
    SLOW_MS,
  );

  it(
    "finds nothing in the programs for the emulated board",
    () => {
      const board = ["--target=thumbv7m-none-eabi", ...FREESTANDING];
      expect(said("clang", [...options, ...board, ...sourcesIn("arm")])).toBe("");
    },
    SLOW_MS,
  );
});
