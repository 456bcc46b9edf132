import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Cut, cutScenario, cutWords, parseCut, replayCommand } from "./cut.js";
import { drawScenario } from "./draw-scenario.js";
import { FEATURE_NAMES } from "./features.js";

const places = fc.option(
  fc.uniqueArray(fc.integer({ min: 0, max: 60 })).map((some) => some.sort((a, b) => a - b)),
  { nil: undefined },
);
const cuts: fc.Arbitrary<Cut> = fc
  .record({
    without: fc.subarray([...FEATURE_NAMES]).map((names) => new Set(names)),
    sends: places,
    strokes: places,
    intrusions: places,
  })
  .map(({ without, ...lists }) => ({
    without,
    ...Object.fromEntries(Object.entries(lists).filter(([, some]) => some !== undefined)),
  }));

describe("a cut", () => {
  it("comes back from its own words on the command line", () => {
    fc.assert(
      fc.property(cuts, (cut) => {
        expect(parseCut(cutWords(cut))).toEqual(cut);
      }),
    );
  });

  it("is part of the command that replays a failure", () => {
    const cut = { without: new Set(["loss"] as const), sends: [0, 1, 2, 7], strokes: [] };
    expect(replayCommand(9, cut)).toBe(
      "npm run soak -- --seed 9 --trace --without loss --sends 0-2,7 --strokes none",
    );
  });

  it("leaves the named entries, in their order, and everything else", () => {
    const whole = drawScenario(12);
    const some = cutScenario(whole, { sends: [1, 0] });
    expect(some).toEqual({ ...whole, sends: whole.sends.slice(0, 2) });
  });

  it.each([
    [{ without: "gravity" }, /no feature gravity/],
    [{ sends: "3-1" }, /--sends 3-1: give places/],
    [{ strokes: "" }, /--strokes : give places/],
    [{ intrusions: "0-999999999" }, /give places/],
  ])("refuses %j", (words, sentence) => {
    expect(() => parseCut(words)).toThrow(sentence);
  });
});
