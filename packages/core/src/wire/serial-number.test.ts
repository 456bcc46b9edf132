import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  addSerial,
  compareSerial,
  serialAdd,
  serialAfter,
  serialDistance,
} from "./serial-number.js";

const u16 = fc.integer({ min: 0, max: 0xffff });

describe("serial numbers of 8 bits", () => {
  // RFC 1982, section 5.2 (from memory; the arithmetic is that of section 3).
  it.each([
    [1, 0],
    [44, 0],
    [100, 0],
    [100, 44],
    [200, 100],
    [255, 200],
    [0, 255],
    [100, 255],
    [0, 200],
    [44, 200],
  ])("puts %i after %i", (a, b) => {
    expect(compareSerial(a, b, 8)).toBe(1);
    expect(compareSerial(b, a, 8)).toBe(-1);
  });

  it("adds as the examples of RFC 1982, section 5.2", () => {
    expect(addSerial(255, 100, 8)).toBe(99);
    expect(addSerial(200, 100, 8)).toBe(44);
  });

  it("refuses to add half the range or more (RFC 1982, section 3.1)", () => {
    expect(addSerial(1, 127, 8)).toBe(128);
    expect(() => addSerial(1, 128, 8)).toThrow(RangeError);
    expect(() => addSerial(1, -1, 8)).toThrow(RangeError);
    expect(() => addSerial(1, 0.5, 8)).toThrow(RangeError);
  });

  it("does not order numbers half the range apart, for every pair", () => {
    for (let a = 0; a < 256; a++) {
      for (let b = 0; b < 256; b++) {
        const order = compareSerial(a, b, 8);
        if (a === b) expect(order).toBe(0);
        else if (Math.abs(a - b) === 128) expect(order).toBeUndefined();
        // RFC 1982, section 3.2, written out as it stands there.
        else expect(order === 1).toBe((a < b && b - a > 128) || (a > b && a - b < 128));
      }
    }
  });
});

describe("serial numbers of 16 bits", () => {
  it("agrees with the comparison for any width", () => {
    fc.assert(
      fc.property(u16, u16, (a, b) => {
        expect(serialAfter(a, b)).toBe(compareSerial(a, b, 16) === 1);
      }),
    );
  });

  it("knows the edges", () => {
    expect(serialAfter(0, 0xffff)).toBe(true);
    expect(serialAfter(0xffff, 0)).toBe(false);
    expect(serialAfter(7, 7)).toBe(false);
    expect(serialAfter(0x7fff, 0)).toBe(true);
    expect(serialAfter(0x8000, 0)).toBe(false);
    expect(serialAfter(0, 0x8000)).toBe(false);
    expect(serialAfter(0, 0x8001)).toBe(true);
  });

  it("counts steps upward across the wrap", () => {
    expect(serialDistance(0xfffe, 3)).toBe(5);
    expect(serialDistance(3, 0xfffe)).toBe(65531);
    expect(serialAdd(0xfffe, 5)).toBe(3);
    expect(serialAdd(3, -5)).toBe(0xfffe);
  });

  it("adds what it measured", () => {
    fc.assert(
      fc.property(u16, u16, (from, to) => {
        const distance = serialDistance(from, to);
        expect(distance).toBeGreaterThanOrEqual(0);
        expect(distance).toBeLessThanOrEqual(0xffff);
        expect(serialAdd(from, distance)).toBe(to);
        expect(serialAfter(to, from)).toBe(distance >= 1 && distance <= 0x7fff);
      }),
    );
  });
});
