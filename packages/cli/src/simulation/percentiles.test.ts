import { describe, expect, it } from "vitest";
import { percentileOf, Samples } from "./percentiles.js";

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

describe("samples", () => {
  it("are all kept, and sorted as numbers", () => {
    const samples = new Samples();
    for (let value = 1000; value > 0; value--) samples.add(value);
    expect(samples.length).toBe(1000);
    expect([...samples.sorted()]).toEqual(Array.from({ length: 1000 }, (_, index) => index + 1));
  });
});
