import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { buildTarget, corpusText, readCorpus, type TargetName } from "./fuzz/target.js";

/* What fuzzing has left: inputs that reach all that was reached, and those that have found a fault. */

const BUILDS: readonly (readonly [TargetName, readonly string[]])[] = [
  ["endpoint", []],
  ["endpoint", ["FARDEL_SEND_WINDOW=1"]],
  ["endpoint", ["FARDEL_SMALL", "FARDEL_ONE_PEER"]],
  ["bridge", []],
];

describe.skipIf(lacksCommands("gcc"))("the inputs that fuzzing has kept", () => {
  let folder = "";
  beforeAll(() => {
    folder = mkdtempSync(join(tmpdir(), "fardel-fuzz-"));
  });
  afterAll(() => rmSync(folder, { recursive: true, force: true }));

  it.each(BUILDS)("find nothing in the %s, built with %j", (target, defines) => {
    const program = join(folder, `${target}-${defines.length}`);
    buildTarget(target, "replay", program, defines);
    const result = spawnSync(program, { input: corpusText(target), encoding: "utf8" });
    // The last line that is named is that of the input, in corpus/<target>.hex.
    const end = result.stdout.split("\n").slice(-2).join("");
    expect(`${result.stderr}${end}`).toBe(`${readCorpus(target).length} inputs`);
  });

  it.each(["endpoint", "bridge"] as const)("are few: %s", (target) => {
    const inputs = readCorpus(target);
    expect(inputs.length).toBeGreaterThan(30);
    expect(inputs.length).toBeLessThanOrEqual(150);
    expect(corpusText(target).length).toBeLessThan(100_000);
  });
});
