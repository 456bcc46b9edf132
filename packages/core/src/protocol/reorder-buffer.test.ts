import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { updateCrc32 } from "../wire/crc32.js";
import type { DataFrame } from "../wire/data-frame.js";
import { serialAdd } from "../wire/serial-number.js";
import { Budget } from "./budget.js";
import { HOLDING_BYTES } from "./config.js";
import { ReorderBuffer } from "./reorder-buffer.js";

function frame(fragment: number, change: Partial<DataFrame> = {}): DataFrame {
  const shape = { first: false, last: false, total: 0, crc32: 0 };
  return {
    type: "data",
    channel: 0,
    fragment,
    ...shape,
    bytes: Uint8Array.of(fragment),
    ...change,
  };
}

/** Fragments of one message of so many fragments of a byte each. */
function message(start: number, count: number, crcFault = 0): DataFrame[] {
  const whole = Uint8Array.from({ length: count }, (_, at) => serialAdd(start, at));
  return Array.from({ length: count }, (_, at) =>
    frame(serialAdd(start, at), {
      first: at === 0,
      last: at === count - 1,
      total: at === 0 && count > 1 ? count : 0,
      crc32: at === count - 1 && count > 1 ? (updateCrc32(0, whole) ^ crcFault) >>> 0 : 0,
    }),
  );
}

describe("ReorderBuffer", () => {
  it("finds a message from any of its fragments once the last one is here, across the wrap", () => {
    const order = fc.shuffledSubarray([0, 1, 2, 3, 4, 5], { minLength: 6, maxLength: 6 });
    fc.assert(
      fc.property(fc.constantFrom(10, 65_533), order, fc.nat(5), (start, arrival, asked) => {
        const buffer = new ReorderBuffer(new Budget(10_000));
        // Neighbours of other messages must not be drawn in.
        buffer.keep(frame(serialAdd(start, -1), { last: true }), "whole");
        buffer.keep(frame(serialAdd(start, 6), { first: true, total: 9 }), "whole");
        const frames = message(start, 6);
        arrival.forEach((at, turn) => {
          expect(buffer.findRun(serialAdd(start, asked))).toBeUndefined();
          buffer.keep(frames[at] as DataFrame, "stream");
          if (turn < 5) expect(buffer.findRun(serialAdd(start, at))).toBeUndefined();
        });
        const run = buffer.findRun(serialAdd(start, asked));
        expect(run).toMatchObject({ firstFragment: start, isSound: true, acceptance: "stream" });
        expect(run?.lastFragment).toBe(serialAdd(start, 5));
        expect(run?.bytes).toHaveLength(6);
      }),
    );
  });

  it("tells whether a message is sound, by its CRC-32 and its total", () => {
    const buffer = new ReorderBuffer(new Budget(10_000));
    for (const each of message(0, 3, 1)) buffer.keep(each, "whole");
    expect(buffer.findRun(1)?.isSound).toBe(false);
    const [first, ...rest] = message(10, 3) as [DataFrame, ...DataFrame[]];
    buffer.keep({ ...first, total: 4 }, "whole");
    for (const each of rest) buffer.keep(each, "whole");
    expect(buffer.findRun(11)?.isSound).toBe(false);
  });

  it("keeps copies, within its budget, and gives back what it forgets", () => {
    const budget = new Budget(3 * (HOLDING_BYTES + 1));
    const buffer = new ReorderBuffer(budget);
    const kept = message(0, 4);
    expect(kept.map((each) => buffer.keep(each, "whole"))).toEqual([true, true, true, false]);
    kept[1]?.bytes.fill(0xee);
    expect(buffer.get(1)?.bytes).toEqual(Uint8Array.of(1));
    buffer.forget(1);
    buffer.forget(1);
    buffer.forget(99);
    expect(budget.heldBytes).toBe(2 * (HOLDING_BYTES + 1));
    buffer.clear();
    expect([budget.heldBytes, buffer.get(0)]).toEqual([0, undefined]);
  });

  it("of what was delivered ahead keeps the numbers, not the bytes", () => {
    const budget = new Budget(10_000);
    const buffer = new ReorderBuffer(budget);
    for (const each of message(65_535, 3)) buffer.keep(each, "whole");
    const run = buffer.findRun(0);
    if (!run) return expect.fail("it is whole");
    buffer.markRunDelivered(run);
    expect(budget.heldBytes).toBe(0);
    for (const fragment of [65_535, 0, 1]) {
      expect(buffer.get(fragment)).toMatchObject({ bytes: undefined });
      expect(buffer.findRun(fragment)).toBeUndefined();
    }
  });

  it("writes a map that says exactly what waits beyond next, without trailing zero bytes", () => {
    const offsets = fc.uniqueArray(fc.integer({ min: 1, max: 300 }), { maxLength: 40 });
    fc.assert(
      fc.property(
        fc.constantFrom(0, 65_500),
        offsets,
        fc.integer({ min: 1, max: 32 }),
        (next, list, size) => {
          const buffer = new ReorderBuffer(new Budget(100_000));
          for (const offset of list) buffer.keep(frame(serialAdd(next, offset)), "whole");
          const map = new Uint8Array(size).fill(0xaa);
          const used = buffer.writeMap(next, map);
          const seen: number[] = [];
          for (let bit = 0; bit < used * 8; bit++)
            if (((map[bit >>> 3] as number) >>> (7 - (bit & 7))) & 1) seen.push(bit + 1);
          const expected = list.filter((offset) => offset <= size * 8).sort((a, b) => a - b);
          expect(seen).toEqual(expected);
          expect(used).toBe(
            expected.length === 0 ? 0 : (((expected.at(-1) as number) - 1) >>> 3) + 1,
          );
        },
      ),
    );
  });
});
