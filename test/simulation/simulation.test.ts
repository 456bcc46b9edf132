import { describe, expect, it } from "vitest";
import { drawScenario } from "./draw-scenario.js";
import { FEATURE_NAMES, type Feature } from "./features.js";
import { runSeed } from "./run.js";

describe("a simulated run", () => {
  it("is the same each time", async () => {
    const linesOf = async (seed: number) => {
      const lines: string[] = [];
      await runSeed(seed, {
        trace: (line) => lines.push(line),
        cut: { without: new Set(["bulk"]) },
      });
      return lines;
    };
    const lines = await linesOf(5);
    expect(lines.length).toBeGreaterThan(10);
    expect(await linesOf(5)).toEqual(lines);
    expect(await linesOf(6)).not.toEqual(lines);
  });
});

describe("scenarios", () => {
  it("have each feature in some seeds and not in others", () => {
    const counts = new Map<Feature, number>();
    for (let seed = 0; seed < 500; seed++) {
      for (const feature of drawScenario(seed).features)
        counts.set(feature, (counts.get(feature) ?? 0) + 1);
    }
    for (const feature of FEATURE_NAMES) {
      expect(counts.get(feature), feature).toBeGreaterThan(100);
      expect(counts.get(feature), feature).toBeLessThan(400);
    }
  });

  it("lose one feature without a change to the rest", () => {
    const seed = [...Array(100).keys()].find((each) => {
      const { features } = drawScenario(each);
      return features.has("loss") && features.has("restarts") && features.has("reordering");
    }) as number;
    const whole = drawScenario(seed);
    const calmer = drawScenario(seed, new Set(["loss", "restarts"]));
    expect(calmer.impairments.reordering).toEqual(whole.impairments.reordering);
    expect(calmer.impairments.loss).toBeUndefined();
    expect(calmer.strokes).toEqual(whole.strokes.filter(({ kind }) => kind !== "restart"));
    expect(calmer.sends).toEqual(whole.sends);
    expect(calmer.stations).toEqual(whole.stations);
  });

  it("name the seed and the command that replays it when they fail", async () => {
    const broken = runSeed(3, { ...QUIET, tamper: () => [] });
    await expect(broken).rejects.toThrow(/Seed 3: .*npm run soak -- --seed 3 --trace/s);
  });
});

/** Nothing but messages: what breaks then is what the test has broken. */
const QUIET = { cut: { without: new Set<Feature>(FEATURE_NAMES) } };
