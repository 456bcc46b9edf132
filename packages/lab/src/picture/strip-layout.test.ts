import fc from "fast-check";
import { beforeAll, describe, expect, it } from "vitest";
import type { RunRecord } from "../run/record.js";
import { indexOf } from "./record-index.js";
import { layoutStrip, panned, rowAtStrip, stripHeight, ticksOf, zoomed } from "./strip-layout.js";
import { testRun } from "./test-record.js";

let record: RunRecord;

beforeAll(async () => {
  record = await testRun({ boards: 3, loss: 0.2 });
});

const END_US = 2_000_000;
const span = fc
  .tuple(fc.integer({ min: 0, max: END_US - 10_000 }), fc.integer({ min: 10_000, max: END_US }))
  .map(([fromUs, length]) => ({ fromUs, toUs: Math.min(fromUs + length, END_US) }));

describe("what is in view of the strip", () => {
  it("stays within the run, whatever is asked of it", () => {
    const factor = fc.integer({ min: -30, max: 30 }).map((steps) => 1.25 ** steps);
    fc.assert(
      fc.property(span, fc.nat(END_US), factor, (now, aroundUs, by) => {
        for (const next of [zoomed(now, aroundUs, by, END_US), panned(now, by * 1_000, END_US)]) {
          expect(next.fromUs).toBeGreaterThanOrEqual(0);
          expect(next.toUs).toBeLessThanOrEqual(END_US + 1e-6);
          expect(next.toUs).toBeGreaterThan(next.fromUs);
        }
      }),
    );
  });

  it("keeps the instant under the pointer where it is", () => {
    const now = { fromUs: 500_000, toUs: 1_500_000 };
    const closer = zoomed(now, 800_000, 0.5, END_US);
    expect(closer.fromUs).toBeCloseTo(650_000);
    expect(closer.toUs).toBeCloseTo(1_150_000);
  });

  it("has round instants on its axis, apart from each other", () => {
    fc.assert(
      fc.property(span, fc.integer({ min: 200, max: 2_000 }), (view, width) => {
        const layout = layoutStrip({ width, height: 100 }, 3, view);
        const ticks = ticksOf(layout);
        for (const [index, { us }] of ticks.entries()) {
          expect(us).toBeGreaterThanOrEqual(view.fromUs);
          expect(us).toBeLessThanOrEqual(view.toUs);
          const next = ticks[index + 1];
          if (next !== undefined) expect(layout.x(next.us) - layout.x(us)).toBeGreaterThan(85);
        }
        expect(new Set(ticks.map(({ text }) => text)).size).toBe(ticks.length);
      }),
    );
  });
});

describe("a point of the strip", () => {
  it("is an instant and back", () => {
    fc.assert(
      fc.property(span, fc.nat(END_US), (view, us) => {
        const layout = layoutStrip({ width: 800, height: 120 }, 2, view);
        expect(layout.us(layout.x(us))).toBeCloseTo(us, 3);
      }),
    );
  });

  it("leads to the datagram that is drawn there", () => {
    const { startUs, leftUs, count } = record.datagrams;
    const index = indexOf(record);
    for (let row = 0; row < count; row++) {
      // As close as one has to look to tell two apart.
      const view = { fromUs: startUs[row]! - 5_000, toUs: startUs[row]! + 20_000 };
      const layout = layoutStrip({ width: 900, height: stripHeight(3) }, 3, view);
      const middle = layout.laneTop(index.lane[row]!) + layout.laneHeight / 2;
      const y = middle + (index.isBack[row] === 1 ? 4 : -4);
      const x = layout.x((startUs[row]! + leftUs[row]!) / 2);
      expect(rowAtStrip(layout, record, x, y)).toBe(row);
      // What goes the other way has the other side of the line.
      expect(rowAtStrip(layout, record, x, 2 * middle - y)).not.toBe(row);
    }
  });
});
