import fc from "fast-check";
import { beforeAll, describe, expect, it } from "vitest";
import { SvgSurface } from "../export/svg-surface.js";
import type { RunRecord } from "../run/record.js";
import { type AirView, drawAir, rowsInView } from "./air.js";
import {
  airHeight,
  boardAtPoint,
  layoutAir,
  placeOf,
  rowAtPoint,
  type TilePlace,
} from "./air-layout.js";
import { indexOf } from "./record-index.js";
import { TEST_PALETTE, testRun } from "./test-record.js";

let record: RunRecord;
/** In it nothing is late, so that what is dying is the longest to be seen. */
let orderly: RunRecord;

beforeAll(async () => {
  record = await testRun({ boards: 4, loss: 0.2, corrupt: 0.05, reorder: 0.1 });
  orderly = await testRun({ boards: 4, loss: 0.3, corrupt: 0.1 });
});

const GLOW_US = 2_000;

function viewAt(atUs: number, of = record): AirView {
  return { record: of, atUs, glowUs: GLOW_US, pickedBoard: 1, pickedRow: -1 };
}

const layout = layoutAir({ width: 900, height: airHeight(4) }, 4);

function placeAt(row: number, atUs: number, of = record): TilePlace {
  const place: TilePlace = { x: 0, y: 0, width: 0, phase: "gone", life: 0 };
  placeOf(layout, viewAt(atUs, of), indexOf(of), row, place);
  return place;
}

describe("a tile in the air", () => {
  it("travels from its sender to its receiver, and no further", () => {
    const { startUs, count, fate, from } = record.datagrams;
    for (let row = 0; row < count; row++) {
      const begin = placeAt(row, startUs[row]!);
      expect(begin.phase).toBe("flying");
      const isBack = from[row] !== 0;
      const edge = isBack ? begin.x + begin.width / 2 : begin.x - begin.width / 2;
      expect(edge).toBeCloseTo(isBack ? layout.airRight : layout.airLeft);
      let last = begin.x;
      for (let us = 0; us < 40_000; us += 500) {
        const place = placeAt(row, startUs[row]! + us);
        if (place.phase === "gone") continue;
        expect(isBack ? place.x <= last : place.x >= last).toBe(true);
        expect(place.x - place.width / 2).toBeGreaterThanOrEqual(layout.airLeft - 0.01);
        expect(place.x + place.width / 2).toBeLessThanOrEqual(layout.airRight + 0.01);
        if (fate[row] === 0) expect(place.phase).toBe("flying");
        last = place.x;
      }
      expect(placeAt(row, startUs[row]! - 1).phase).toBe("gone");
    }
  });

  it("of a lost datagram dies", () => {
    const { startUs, leftUs, fate, count } = record.datagrams;
    let dead = 0;
    for (let row = 0; row < count; row++) {
      if (fate[row] === 0 || fate[row] === 1) continue;
      dead++;
      expect(placeAt(row, Math.max(leftUs[row]!, startUs[row]! + GLOW_US)).phase).toBe("dying");
    }
    expect(dead).toBeGreaterThan(10);
  });

  it("is among the rows that are looked at as long as it is to be seen", () => {
    fc.assert(
      fc.property(fc.nat(1_100), (perMille) => {
        for (const of of [record, orderly]) {
          const atUs = (perMille / 1_000) * of.endUs;
          const [from, to] = rowsInView(viewAt(atUs, of));
          for (let row = 0; row < of.datagrams.count; row++) {
            if (row >= from && row < to) continue;
            if (placeAt(row, atUs, of).phase !== "gone") expect(row).toBe("among those looked at");
          }
        }
      }),
    );
  });

  it("is found by a click", () => {
    const { startUs, count } = record.datagrams;
    for (let row = 0; row < count; row += 7) {
      const atUs = startUs[row]! + 700;
      const view = viewAt(atUs);
      const place = placeAt(row, atUs);
      const found = rowAtPoint(layout, view, indexOf(record), rowsInView(view), place.x, place.y);
      const other = placeAt(found, atUs);
      // Two may lie on each other; then either will do.
      expect(Math.abs(other.x - place.x)).toBeLessThan(place.width + other.width);
      expect(other.y).toBeCloseTo(place.y);
    }
    expect(boardAtPoint(layout, layout.laneTop(3) + 1)).toBe(3);
    expect(boardAtPoint(layout, 2)).toBe(-1);
  });
});

describe("the picture of the air", () => {
  it("names every board", () => {
    const surface = new SvgSurface();
    drawAir(surface, layout, viewAt(record.endUs / 2), TEST_PALETTE);
    for (const { name } of record.stations) expect(surface.markup).toContain(`>${name}</text>`);
  });

  it("says when nothing gets through", async () => {
    const outage = await testRun({ outagesS: [[0.05, 0.2]] });
    const surface = new SvgSurface();
    const view = { ...viewAt(100_000), record: outage };
    drawAir(surface, layoutAir({ width: 900, height: 190 }, 1), view, TEST_PALETTE);
    expect(surface.markup).toContain("outage");
  });

  it("has a place for a recording without boards", () => {
    const empty: RunRecord = { ...record, stations: record.stations.slice(0, 1), transfers: [] };
    const surface = new SvgSurface();
    drawAir(
      surface,
      layoutAir({ width: 400, height: 190 }, 0),
      { ...viewAt(0), record: empty },
      TEST_PALETTE,
    );
    expect(surface.markup).not.toContain("NaN");
  });
});
