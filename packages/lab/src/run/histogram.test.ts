import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { histogramOf, quantile } from "./histogram.js";

/** Whole microseconds. */
const values = fc.array(fc.nat(1_000_000_000), { minLength: 1, maxLength: 300 });

describe("histogramOf", () => {
  it("counts each value once, in the interval in which it lies", () => {
    fc.assert(
      fc.property(values, (each) => {
        const { from, width, counts } = histogramOf(each);
        expect(counts.reduce((sum, count) => sum + count, 0)).toBe(each.length);
        expect(counts.length).toBeLessThanOrEqual(60);
        expect(from).toBe(Math.min(...each));
        expect(width).toBeGreaterThan(0);
        const end = from + width * counts.length;
        expect(end).toBeGreaterThanOrEqual(Math.max(...each) * (1 - 1e-12));
        // The outermost intervals are not empty: the range is no wider than the values.
        expect(counts[0]).toBeGreaterThan(0);
        expect(counts.at(-1)).toBeGreaterThan(0);
      }),
    );
  });

  it("takes the width of Freedman and Diaconis", () => {
    // 0 to 999: the middle half is 499.5 wide, the cube root of 1,000 is 10, so 99.9 each.
    const { width, counts } = histogramOf(Array.from({ length: 1_000 }, (_, index) => index));
    expect(counts).toHaveLength(10);
    expect(width).toBeCloseTo(99.9, 9);
    expect(counts.every((count) => Math.abs(count - 100) <= 1)).toBe(true);
  });

  it("copes with values that are all alike, with none, and with failures", () => {
    expect(histogramOf([7, 7, 7])).toEqual({ from: 7, width: 1, counts: [3] });
    expect(histogramOf([])).toEqual({ from: 0, width: 1, counts: [] });
    expect(histogramOf([Number.NaN, 5])).toEqual({ from: 5, width: 1, counts: [1] });
    const mostlyAlike = [...new Array<number>(99).fill(5), 105];
    expect(histogramOf(mostlyAlike).counts).toEqual([99, ...new Array<number>(8).fill(0), 1]);
    expect(histogramOf([0, 1, 1, 1, 1, 1, 1, 1e9]).counts).toHaveLength(3);
  });
});

describe("quantile", () => {
  it("lies between the nearest two", () => {
    expect(quantile([10, 20, 30], 0.5)).toBe(20);
    expect(quantile([10, 20], 0.25)).toBe(12.5);
    expect(quantile([10, 20], 1)).toBe(20);
    expect(quantile([], 0.5)).toBeNaN();
  });
});
