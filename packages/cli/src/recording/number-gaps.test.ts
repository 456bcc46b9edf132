import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { DatagramNumber } from "./datagram-words.js";
import { NumberGaps } from "./number-gaps.js";

const short = (number: number): DatagramNumber => ({ form: "short", low: number & 0xffff });
const long = (tokenFrom: number, number: number): DatagramNumber => ({
  form: "long",
  tokenFrom,
  number,
});

describe("NumberGaps", () => {
  it("counts what is missing between the first and the last, across the wrap of 16 bits", () => {
    const arrivals = fc.array(fc.boolean(), { minLength: 1, maxLength: 500 });
    fc.assert(
      fc.property(fc.nat({ max: 0xffff_0000 }), arrivals, (start, arrived) => {
        const gaps = new NumberGaps();
        gaps.add(long(7, start));
        for (const [index, isHere] of arrived.entries())
          if (isHere) gaps.add(short(start + 1 + index));
        const lastHere = arrived.lastIndexOf(true);
        const expected = arrived.slice(0, lastHere + 1).filter((isHere) => !isHere).length;
        expect(gaps.missing).toBe(expected);
        expect(gaps.duplicates).toBe(0);
      }),
    );
  });

  it("tells copies and latecomers apart, within what it remembers", () => {
    const steps = fc.array(
      fc.record({ lost: fc.boolean(), swap: fc.boolean(), copy: fc.boolean() }),
      {
        maxLength: 200,
      },
    );
    fc.assert(
      fc.property(fc.nat({ max: 0xffff }), steps, (start, plan) => {
        const order = [start];
        let copies = 0;
        for (const [index, { lost, swap, copy }] of plan.entries()) {
          if (lost) continue;
          const number = start + 1 + index;
          if (swap && order.length > 1) order.splice(order.length - 1, 0, number);
          else order.push(number);
          if (copy) {
            order.push(number);
            copies++;
          }
        }
        const gaps = new NumberGaps();
        for (const number of order) gaps.add(short(number));
        const span = Math.max(...order) - start + 1;
        expect(gaps.duplicates).toBe(copies);
        expect(gaps.missing).toBe(span - new Set(order).size);
      }),
    );
  });

  it("takes another token, or a far jump, for a new beginning and not for a loss", () => {
    const gaps = new NumberGaps();
    gaps.add(long(1, 100));
    gaps.add(short(102));
    gaps.add(long(2, 900));
    gaps.add(short(901));
    gaps.add(short(30_000));
    gaps.add(short(30_001));
    expect(gaps).toMatchObject({ missing: 1, duplicates: 0 });
  });

  it("passes over who speaks without a session", () => {
    const gaps = new NumberGaps();
    gaps.add(long(1, 100));
    gaps.add(long(0, 500));
    gaps.add(short(103));
    expect(gaps.missing).toBe(2);
  });
});
