import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { evenScale, logScale, plain, shareWords, threeDigits, timeUnit } from "./numbers.js";

const positive = fc.double({ min: 1e-9, max: 1e12, noNaN: true });

describe("a scale", () => {
  it("from 0 reaches the greatest number in two to seven steps of 1, 2 or 5", () => {
    fc.assert(
      fc.property(positive, (most) => {
        const { max, step } = evenScale(most);
        expect(max).toBeGreaterThanOrEqual(most * (1 - 1e-8));
        expect(max / step).toBeGreaterThanOrEqual(2 - 1e-6);
        expect(max / step).toBeLessThanOrEqual(7 + 1e-6);
        expect(step.toExponential(3)[0]).toMatch(/[125]/);
      }),
    );
  });

  it("of nothing is one", () => {
    expect(evenScale(0)).toEqual({ max: 1, step: 0.5 });
    expect(evenScale(Number.NEGATIVE_INFINITY)).toEqual({ max: 1, step: 0.5 });
  });

  it("by powers of ten holds both ends", () => {
    fc.assert(
      fc.property(positive, positive, (one, other) => {
        const [least, most] = [Math.min(one, other), Math.max(one, other)];
        const { min, max } = logScale(least, most);
        expect(min).toBeLessThanOrEqual(least * (1 + 1e-8));
        expect(max).toBeGreaterThanOrEqual(most * (1 - 1e-8));
        expect(max).toBeGreaterThan(min);
      }),
    );
    expect(logScale(1, 1000)).toEqual({ min: 1, max: 1000 });
    expect(logScale(0.8, 1001)).toEqual({ min: 0.1, max: 10_000 });
  });
});

describe("a number", () => {
  it("is written shortly", () => {
    expect([0, 0.1 + 0.2, 12, 1500, 1e6].map(plain)).toEqual([
      "0",
      "0.3",
      "12",
      "1,500",
      "1,000,000",
    ]);
    expect([0, 7.316, 48.06, 1248.6].map(threeDigits)).toEqual(["0", "7.32", "48.1", "1,249"]);
  });

  it("is a share of 100 or 0 only where that is true", () => {
    expect(shareWords(4, 4)).toBe("100 %");
    expect(shareWords(99_999, 100_000)).toBe("99.9 %");
    expect(shareWords(1, 100_000)).toBe("0.1 %");
    expect(shareWords(0, 3)).toBe("0 %");
    expect(shareWords(1, 3)).toBe("33.3 %");
  });

  it("of time is in milliseconds as long as they are short", () => {
    expect(timeUnit(9_999_999).name).toBe("ms");
    expect(timeUnit(10_000_000).name).toBe("s");
  });
});
