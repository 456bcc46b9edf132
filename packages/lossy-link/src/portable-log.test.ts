import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { log10, naturalLog } from "./portable-log.js";

describe("naturalLog", () => {
  it("has the values of the tables", () => {
    // Abramowitz and Stegun, Handbook of Mathematical Functions, table 1.1 (from memory).
    expect(naturalLog(1)).toBe(0);
    expect(naturalLog(2)).toBe(0.6931471805599453);
    expect(naturalLog(10)).toBeCloseTo(2.302585092994046, 14);
    expect(naturalLog(Math.E)).toBeCloseTo(1, 14);
    expect(log10(1000)).toBeCloseTo(3, 14);
    expect(log10(0.1)).toBeCloseTo(-1, 14);
  });

  it("agrees with the engine's own to 4 parts in 10^16, give or take the rounding near 1", () => {
    fc.assert(
      fc.property(fc.double({ min: 1e-12, max: 1e12, noNaN: true }), (x) => {
        const error = Math.abs(naturalLog(x) - Math.log(x));
        expect(error).toBeLessThanOrEqual(4e-16 * Math.max(1, Math.abs(Math.log(x))));
      }),
    );
  });
});
