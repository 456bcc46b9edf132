import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Point, thinned, thinnedSteps } from "./thinning.js";

const VIEW = { from: 0, to: 100, top: 5_000 };

/** Ascending in time, and mostly in value, as the sendings of a blob are. */
function climb(count: number, wobble: number): Point[] {
  return Array.from(
    { length: count },
    (_, index): Point => [(index * 100) / count, (index * 4_900) / count + ((index * 37) % wobble)],
  );
}

const count = fc.integer({ min: 1, max: 9_000 });
const wobble = fc.integer({ min: 1, max: 100 });

describe("many points", () => {
  it("keep their picture: next to each that is left out is one that is drawn", () => {
    fc.assert(
      fc.property(count, wobble, (many, spread) => {
        const all = climb(many, spread);
        const drawn = new Set<string>();
        for (const [x, y] of thinned(all, VIEW)) {
          // A pixel is 0.1 wide and 10 high; its neighbours will do.
          for (const dx of [-1, 0, 1]) {
            for (const dy of [-1, 0, 1]) {
              drawn.add(`${Math.round(x * 10) + dx} ${Math.round(y / 10) + dy}`);
            }
          }
        }
        const missing = all.filter(
          ([x, y]) => !drawn.has(`${Math.round(x * 10)} ${Math.round(y / 10)}`),
        );
        expect(missing.length).toBe(0);
      }),
      { numRuns: 30 },
    );
  });

  it("are bounded, however many they are", () => {
    const all = Array.from(
      { length: 300_000 },
      (_, index): Point => [index / 3_000, (index * 7_919) % 5_000],
    );
    expect(thinned(all, VIEW).length).toBeLessThanOrEqual(1_001 * 501);
    const line = Array.from({ length: 300_000 }, (_, index): Point => [index / 3_000, index / 60]);
    expect(thinned(line, VIEW).length).toBeLessThan(2_500);
    expect(thinnedSteps(line, VIEW).length).toBeLessThan(1_100);
    // A closer look finds what was left out.
    expect(thinned(line, { from: 10, to: 10.5, top: 5_000 })).toHaveLength(1_002);
  });

  it("are left alone while they are few", () => {
    const few: Point[] = [
      [1, 1],
      [1, 1],
      [500, 2],
    ];
    expect(thinned(few, VIEW)).toBe(few);
    expect(thinnedSteps(few, VIEW)).toBe(few);
  });

  it("of a line end where it ended", () => {
    fc.assert(
      fc.property(count, wobble, (many, spread) => {
        const all = climb(many, spread);
        expect(thinnedSteps(all, VIEW).at(-1)).toEqual(all.at(-1));
      }),
    );
  });
});
