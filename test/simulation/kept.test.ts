import { mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { describe, expect, it } from "vitest";
import { drawScenario } from "./draw-scenario.js";
import { readScenario, writeScenario } from "./kept-scenario.js";
import { runScenario } from "./run.js";

const folder = fileURLToPath(new URL("./kept", import.meta.url));
const files = readdirSync(folder).filter((name) => name.endsWith(".json"));

describe("scenarios that once found a fault", () => {
  it.each(files)("%s keeps all promises now", async (file) => {
    await runScenario(readScenario(join(folder, file)));
  });
});

describe("a scenario in a file", () => {
  it("is the one that was written", () => {
    const into = mkdtempSync(join(tmpdir(), "fardel-scenario-"));
    try {
      for (let seed = 1; seed <= 20; seed++) {
        const scenario = drawScenario(seed);
        const file = join(into, `${seed}.json`);
        writeScenario(file, scenario);
        // What is undefined is left out of JSON, and means the same.
        expect(readScenario(file)).toEqual(scenario);
      }
    } finally {
      rmSync(into, { recursive: true });
    }
  });
});
