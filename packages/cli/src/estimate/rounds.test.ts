import { Random } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { repeatRounds, selectiveRepeatRounds, windowedRounds } from "./rounds.js";

describe("rounds of selective repeat", () => {
  it.each([
    // E = Σ over n ≥ 0 of 1 − (1 − pⁿ)^K, worked out elsewhere.
    [16, 0.1, 1.981],
    [64, 0.1, 2.542],
    [16, 0.4, 4.19],
    [64, 0.4, 5.68],
    // One fragment: the geometric mean 1 ÷ (1 − p).
    [1, 0.25, 1 / 0.75],
    [100, 0, 1],
  ])("of %i fragments at loss %d are %d", (fragments, loss, rounds) => {
    expect(selectiveRepeatRounds(fragments, loss)).toBeCloseTo(rounds, 2);
  });

  it("send each fragment 1 ÷ (1 − p) times in all", () => {
    const arguments_ = [
      fc.integer({ min: 1, max: 255 }),
      fc.double({ min: 0.01, max: 0.9, noNaN: true }),
    ] as const;
    fc.assert(
      fc.property(...arguments_, (fragments, loss) => {
        let takesPlace = 1;
        let sent = 0;
        for (const { burst, goesOn } of repeatRounds(fragments, loss)) {
          sent += takesPlace * burst;
          takesPlace = goesOn;
        }
        expect(sent / (fragments / (1 - loss))).toBeCloseTo(1, 5);
      }),
    );
  });
});

describe("rounds with a window", () => {
  it.each([
    [8, 8, 1],
    [9, 8, 2],
    [16, 8, 2],
    [17, 8, 3],
    [542, 64, 9],
    [5, 1, 5],
  ])("of %i fragments, window %i, without loss are %i", (fragments, window, rounds) => {
    expect(windowedRounds(fragments, window, 0).total).toBeCloseTo(rounds, 9);
  });

  it.each([
    [4, 0.05],
    [4, 0.3],
    [8, 0.1],
    [16, 0.2],
    [64, 0.05],
    [64, 0.3],
  ])("of %i at loss %d are within 6 %% of drawing the recursion", (window, loss) => {
    const random = new Random(`${window} ${loss}`);
    const geometric = () => {
      let count = 1;
      while (random.uniform() < loss) count++;
      return count;
    };
    const fragments = 20 * window;
    let sum = 0;
    const draws = 300;
    for (let draw = 0; draw < draws; draw++) {
      const done: number[] = [];
      for (let index = 0; index < fragments; index++) {
        const entered = index >= window ? done[index - window]! : 0;
        done.push(Math.max(done[index - 1] ?? 0, entered + geometric()));
      }
      sum += done.at(-1) ?? 0;
    }
    const { total } = windowedRounds(fragments, window, loss);
    expect(Math.abs(total / (sum / draws) - 1)).toBeLessThan(0.06);
  });

  it("are never fewer with more fragments, more loss, or a smaller window", () => {
    const rounds = (fragments: number, window: number, loss: number) =>
      windowedRounds(fragments, window, loss).total;
    for (const loss of [0, 0.1, 0.3]) {
      for (const window of [4, 8, 16, 64]) {
        const base = rounds(100, window, loss);
        expect(rounds(200, window, loss)).toBeGreaterThan(base - 1e-9);
        expect(rounds(100, window, loss + 0.1)).toBeGreaterThan(base);
        expect(rounds(100, 2 * window, loss)).toBeLessThan(base + 1e-9);
      }
    }
  });
});
