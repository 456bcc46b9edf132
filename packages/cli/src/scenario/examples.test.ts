import { readdirSync, readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { runOnce } from "../simulation/run-once.js";
import { parseScenario } from "./parse.js";

const folder = new URL("../../scenarios/", import.meta.url);
const names = readdirSync(folder);

describe("the example scenarios", () => {
  it("are there", () => {
    expect(names.length).toBeGreaterThanOrEqual(4);
  });

  it.each(names)("%s is in order, says that its data is invented, and runs", async (name) => {
    const text = readFileSync(new URL(name, folder), "utf8");
    expect(text.split("\n")[0]).toContain("Invented data");
    const { title, cases } = parseScenario(name, text);
    expect(title).toContain("invented");
    for (const each of [cases[0]!, cases.at(-1)!]) {
      const run = await runOnce(each, 1, new AbortController().signal);
      expect(run?.failures, `case ${each.number}`).toEqual([]);
    }
  });
});
