import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { layoutOf, PARTS_MAX, someOf } from "./layout.js";
import { madeSummaries } from "./made-sweep.js";
import { LINES_MAX } from "./palette.js";

const messages = [{ from: "gateway", bytes: 100 }];
const summariesOf = (scenario: object) =>
  madeSummaries({ scenario: { messages, ...scenario }, runs: 1 });

/** Up to so many different values of a field. */
function values(most: number, all: readonly (string | number)[]) {
  return fc.subarray([...all], { minLength: 1, maxLength: most });
}

const anySweep = fc
  .record({
    preset: values(3, ["reference", "contention", "canFd"]),
    loss: values(6, [0.5, 0, 0.1, 0.2, 0.3, 0.4]),
    delayMs: values(3, [0, 1, 2]),
    window: values(6, [64, 4, 8, 16, 32, 128]),
  })
  .map(({ window, ...link }) => ({ link, window }));

describe("the layout of a sweep", () => {
  it("gives each combination one place, as long as all are drawn", () => {
    fc.assert(
      fc.property(anySweep, (sweep) => {
        const summaries = summariesOf(sweep);
        const { along, byLine, parts, partsInAll } = layoutOf(summaries);
        const places = parts.flatMap(({ lines }) => lines.flat());
        const numbers = places.map((summary) => summary?.case.number);
        expect(new Set(numbers).size).toBe(numbers.length);
        expect(numbers).not.toContain(undefined);
        const lines = byLine?.valuesInAll ?? 1;
        expect(partsInAll * lines * (along?.values.length ?? 1)).toBe(summaries.length);
        expect(parts.length).toBe(Math.min(PARTS_MAX, partsInAll));
        expect(byLine?.values.length ?? 1).toBe(Math.min(LINES_MAX, lines));
      }),
      { numRuns: 200 },
    );
  });

  it("runs along the numbers with the most values, in their order", () => {
    const link = { preset: ["reference", "contention", "canFd"], loss: [0.2, 0] };
    const { along, byLine, parts } = layoutOf(summariesOf({ link }));
    expect(along).toMatchObject({ name: "loss", values: [0, 0.2] });
    expect(byLine?.values).toEqual(["reference", "contention", "canFd"]);
    expect(parts).toHaveLength(1);
  });

  it("makes panels of what is left, the first ones only", () => {
    const link = {
      loss: [0, 0.1, 0.2, 0.3],
      delayMs: [0, 1, 2],
      duplicate: [0, 0.1],
      jitterMs: [0, 1],
    };
    const layout = layoutOf(summariesOf({ link, window: [8, 64] }));
    expect([layout.along?.name, layout.byLine?.name]).toEqual(["loss", "delayMs"]);
    expect([layout.parts.length, layout.partsInAll]).toEqual([6, 8]);
    expect(layout.parts[1]?.fixed.map(({ field, value }) => `${field} ${value}`)).toEqual([
      "duplicate 0",
      "jitterMs 0",
      "window 64",
    ]);
  });

  it("chooses among too many lines, both ends included", () => {
    const five = [1, 2, 3, 4, 5];
    const { byLine } = layoutOf(summariesOf({ link: { delayMs: [...five, 6] }, window: five }));
    expect(byLine).toMatchObject({ name: "window", values: [1, 2, 4, 5], valuesInAll: 5 });
  });

  it("of one combination, and of none, has nothing along", () => {
    expect(layoutOf(summariesOf({}))).toMatchObject({ along: undefined, partsInAll: 1 });
    expect(layoutOf([])).toMatchObject({ along: undefined, parts: [{ lines: [[]] }] });
  });

  it("leaves places empty where a sweep was ended", () => {
    const summaries = summariesOf({ link: { loss: [0, 0.1] }, window: [8, 64] }).slice(0, 3);
    const { parts } = layoutOf(summaries);
    expect(parts[0]?.lines.map((row) => row.map((one) => one?.case.number))).toEqual([
      [1, 3],
      [2, undefined],
    ]);
  });
});

describe("some of many", () => {
  it("are evenly spread, in order, with both ends", () => {
    fc.assert(
      fc.property(fc.nat({ max: 60 }), fc.integer({ min: 2, max: 8 }), (length, most) => {
        const all = Array.from({ length }, (_, index) => index);
        const some = someOf(all, most);
        expect(some).toHaveLength(Math.min(length, most));
        expect([some[0], some.at(-1)]).toEqual([all[0], all.at(-1)]);
        expect([...new Set(some)].sort((a, b) => a - b)).toEqual(some);
      }),
    );
  });
});
