import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { AHEAD_MAX, REPLAY_WINDOW, ReplayWindow } from "./replay-window.js";

/** Arrivals around a number that moves on, now and then by leaps; late ones and repeats among them. */
const arrivals = fc
  .record({
    start: fc.oneof(fc.nat(0xffff), fc.constantFrom(0, 0xff00, 0xffff, 0x7fff_ff00, 0xfff0_0000)),
    moves: fc.array(
      fc.oneof(
        { weight: 8, arbitrary: fc.integer({ min: -300, max: 5 }) },
        { weight: 4, arbitrary: fc.integer({ min: -3, max: 40 }) },
        { weight: 1, arbitrary: fc.constantFrom(255, 256, 257, 1023, 1024, 70_000) },
      ),
      { minLength: 1, maxLength: 300, size: "max" },
    ),
  })
  .map(({ start, moves }) => {
    let highest = start;
    return moves.map((move) => {
      const number = Math.max(0, highest + move);
      highest = Math.max(highest, number);
      return number;
    });
  });

describe("ReplayWindow", () => {
  it("takes each number once, and none that is too old to tell, like a set", () => {
    fc.assert(
      fc.property(arrivals, (numbers) => {
        const window = new ReplayWindow();
        const taken = new Set<number>();
        let highest = -1;
        for (const number of numbers) {
          const isExpected = !taken.has(number) && number > highest - REPLAY_WINDOW;
          expect(window.isNew(number)).toBe(isExpected);
          if (!isExpected) continue;
          window.take(number);
          taken.add(number);
          highest = Math.max(highest, number);
          expect(window.highest).toBe(highest);
          expect(window.isNew(number)).toBe(false);
        }
      }),
      { numRuns: 200 },
    );
  });

  it("asking changes nothing", () => {
    const window = new ReplayWindow();
    window.take(1000);
    for (let number = 0; number < 3000; number++) window.isNew(number);
    expect(window.highest).toBe(1000);
    expect(window.isNew(999)).toBe(true);
  });

  // RFC 9000, appendix A.3 completes a packet number to the value nearest to the next expected one,
  // symmetric about it. Section 2.3 of PROTOCOL.md has another range, reaching further ahead than
  // back, so the RFC's worked example (0xa82f30ea, 0x9b32) does not apply: 0x9b32 lies 3,512 behind.
  it("completes the low 16 bits of every number in its range, and of no other", () => {
    fc.assert(
      fc.property(
        fc.oneof(
          fc.integer({ min: 0, max: 0xffff_ffff }),
          fc.integer({ min: 0xff00, max: 0x1_0100 }),
        ),
        fc.integer({ min: -40_000, max: 25_000 }),
        (highest, offset) => {
          const window = new ReplayWindow();
          window.take(highest);
          const number = highest + offset;
          if (number < 0) return;
          const isInRange = offset > -REPLAY_WINDOW && offset <= AHEAD_MAX;
          expect(window.complete(number & 0xffff)).toBe(isInRange ? number : -1);
        },
      ),
      { numRuns: 3000 },
    );
  });

  it("does not complete the example of RFC 9000, appendix A.3", () => {
    const window = new ReplayWindow();
    window.take(0xa82f_30ea);
    expect(window.complete(0x9b32)).toBe(-1);
  });

  it("has the edges of section 2.3: 255 back, 1024 ahead", () => {
    const window = new ReplayWindow();
    expect(window.complete(5)).toBe(-1);
    window.take(0x1_0010);
    expect(window.complete(0x0010)).toBe(0x1_0010);
    expect(window.complete(0x0410)).toBe(0x1_0410);
    expect(window.complete(0x0411)).toBe(-1);
    expect(window.complete(0xff11)).toBe(0xff11);
    expect(window.complete(0xff10)).toBe(-1);
  });

  it("gives no negative number where there was none before the first", () => {
    const window = new ReplayWindow();
    window.take(3);
    expect(window.complete(0xffff)).toBeLessThan(0);
  });
});
