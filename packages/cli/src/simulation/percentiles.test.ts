import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { percentileOf, percentilesOf, Samples } from "./percentiles.js";

describe("a percentile", () => {
  it.each([
    // Worked by hand from the definition: rank ⌈share · n⌉.
    [[15, 20, 35, 40, 50], 0.3, 20],
    [[15, 20, 35, 40, 50], 0.5, 35],
    [[15, 20, 35, 40, 50], 0.95, 50],
    [[3, 6, 7, 8], 0.5, 6],
    [[3, 6, 7, 8], 1, 8],
    [[9], 0.01, 9],
  ])("of %j at %d is %d", (sorted, share, value) => {
    expect(percentileOf(sorted, share)).toBe(value);
  });

  it("of a hundred values is the value of that rank", () => {
    const sorted = Array.from({ length: 100 }, (_, index) => index + 1);
    expect([0.5, 0.95, 0.99].map((share) => percentileOf(sorted, share))).toEqual([50, 95, 99]);
  });

  it("of nothing is unknown", () => {
    expect(percentileOf([], 0.5)).toBeUndefined();
  });
});

describe("all percentiles", () => {
  it("are the smallest values that so many hundredths do not exceed", () => {
    const values = fc.array(fc.nat({ max: 1000 }), { minLength: 1, maxLength: 300 });
    fc.assert(
      fc.property(values, (some) => {
        const sorted = [...some].sort((one, other) => one - other);
        const percentiles = percentilesOf(sorted);
        expect(percentiles).toHaveLength(101);
        expect(percentiles[0]).toBe(sorted[0]);
        for (const hundredth of [1, 7, 14, 28, 29, 50, 57, 95, 99, 100]) {
          const reached = (value: number) =>
            100 * sorted.filter((one) => one <= value).length >= hundredth * sorted.length;
          expect(percentiles[hundredth]).toBe(sorted.find(reached));
        }
      }),
    );
    const hundred = Array.from({ length: 100 }, (_, index) => index + 1);
    expect(percentilesOf(hundred)).toEqual([1, ...hundred]);
  });

  it("of nothing are none", () => {
    expect(percentilesOf([])).toEqual([]);
  });
});

describe("samples", () => {
  it("are all kept, and sorted as numbers", () => {
    const samples = new Samples();
    for (let value = 1000; value > 0; value--) samples.add(value);
    expect(samples.length).toBe(1000);
    expect([...samples.sorted()]).toEqual(Array.from({ length: 1000 }, (_, index) => index + 1));
  });
});
