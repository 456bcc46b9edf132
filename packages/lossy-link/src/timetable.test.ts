import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Timetable } from "./timetable.js";
import type { Interval } from "./validation.js";

describe("Timetable", () => {
  it("covers from the first microsecond to the last, without the end", () => {
    const table = new Timetable([[10, 20]]);
    expect([9, 10, 19, 20].map((nowUs) => table.covers(nowUs))).toEqual([false, true, true, false]);
  });

  it("agrees with looking at all intervals, in any order and overlapping", () => {
    const interval = fc
      .tuple(fc.nat(100), fc.integer({ min: 1, max: 30 }))
      .map(([fromUs, lengthUs]): Interval => [fromUs, fromUs + lengthUs]);
    fc.assert(
      fc.property(fc.array(interval), fc.array(fc.nat(140)), (intervals, instants) => {
        const table = new Timetable(intervals);
        for (const nowUs of instants.sort((a, b) => a - b)) {
          const expected = intervals.some(([fromUs, toUs]) => nowUs >= fromUs && nowUs < toUs);
          expect(table.covers(nowUs)).toBe(expected);
        }
      }),
    );
  });

  it("knows the next interval to come", () => {
    const table = new Timetable([
      [30, 40],
      [10, 20],
      [15, 25],
    ]);
    expect(table.current(0)).toEqual([10, 25]);
    expect(table.current(24)).toEqual([10, 25]);
    expect(table.current(25)).toEqual([30, 40]);
    expect(table.current(40)).toBeUndefined();
  });
});
