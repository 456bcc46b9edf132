import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Cut, cutScenario } from "./cut.js";
import { drawScenario } from "./draw-scenario.js";
import { runSeed } from "./run.js";
import { minimise, shrink } from "./shrink.js";

describe("minimise", () => {
  it("leaves exactly the entries that are needed together", async () => {
    const lists = fc.record({
      length: fc.integer({ min: 1, max: 60 }),
      picks: fc.uniqueArray(fc.nat(59), { maxLength: 5 }),
    });
    await fc.assert(
      fc.asyncProperty(lists, async ({ length, picks }) => {
        const needed = picks.filter((place) => place < length).sort((a, b) => a - b);
        const fails = async (some: readonly number[]) =>
          needed.every((place) => some.includes(place));
        expect(await minimise([...Array(length).keys()], fails)).toEqual(needed);
      }),
    );
  });
});

describe("shrink", () => {
  it("makes of a failing run the one message that fails it, and no feature", async () => {
    const seed = 8;
    // The application that loses what is unordered: a single message shows it.
    const fails = async (cut: Cut) => {
      const run = runSeed(seed, {
        cut,
        tamper: (arrival) => (arrival.way === "unordered" ? [] : [arrival]),
      });
      return run.then(
        () => false,
        () => true,
      );
    };
    expect(await fails({})).toBe(true);
    const cut = await shrink(seed, {}, fails);
    const scenario = cutScenario(drawScenario(seed, cut.without), cut);
    expect([...scenario.features]).toEqual([]);
    expect(scenario.sends).toHaveLength(1);
    expect(scenario.sends[0]?.bytes).toBeGreaterThan(3);
    expect(scenario.strokes).toEqual([]);
    expect(await fails(cut)).toBe(true);
  });
});
