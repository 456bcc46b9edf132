import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { SvgSurface } from "../export/svg-surface.js";
import { cellsHeight, drawCells, fragmentAtPoint, layoutCells, windowAt } from "./cells.js";
import { TEST_PALETTE, testRun } from "./test-record.js";

const size = fc.record({
  width: fc.integer({ min: 120, max: 1_600 }),
  height: fc.integer({ min: 80, max: 400 }),
});

describe("the cells of a blob", () => {
  it("all fit, however many there are", () => {
    fc.assert(
      fc.property(size, fc.integer({ min: 1, max: 400_000 }), (place, fragments) => {
        const { cellPx, columns, rows, perCell, left, top } = layoutCells(place, fragments);
        expect(columns * rows * perCell).toBeGreaterThanOrEqual(fragments);
        expect(left + columns * cellPx).toBeLessThanOrEqual(place.width);
        expect(top + rows * cellPx).toBeLessThanOrEqual(place.height);
      }),
    );
  });

  it("are found where they are drawn", () => {
    fc.assert(
      fc.property(size, fc.integer({ min: 1, max: 5_000 }), fc.nat(), (place, count, pick) => {
        const layout = layoutCells(place, count);
        const { columns, cellPx, perCell, left, top } = layout;
        const cell = Math.floor((pick % count) / perCell);
        const x = left + ((cell % columns) + 0.5) * cellPx;
        const y = top + (Math.floor(cell / columns) + 0.5) * cellPx;
        expect(fragmentAtPoint(layout, count, x, y)).toBe(cell * perCell);
        expect(fragmentAtPoint(layout, count, left - 1, y)).toBe(-1);
      }),
    );
  });

  it("are large if they are few", () => {
    const height = cellsHeight(600, 50);
    expect(layoutCells({ width: 600, height }, 50)).toMatchObject({ cellPx: 34, perCell: 1 });
  });

  it("show the window and every fragment", async () => {
    const record = await testRun({ loss: 0.3 });
    const transfer = record.transfers[0]!;
    const size = { width: 600, height: cellsHeight(600, transfer.fragmentCount) };
    const states = new Uint8Array(transfer.fragmentCount);
    const surface = new SvgSurface();
    const atUs = record.endUs / 2;
    drawCells(surface, size, { record, transfer, atUs, states }, TEST_PALETTE);
    const [base, limit] = windowAt(transfer, atUs);
    expect(limit).toBeGreaterThan(base);
    expect(surface.markup).toContain('stroke="ink" stroke-width="2.5"');
    // Those on their way and those that are lost have a mark in place of their number.
    for (let fragment = 0; fragment < base; fragment++) {
      expect(surface.markup).toContain(`>${fragment + 1}</text>`);
    }
  });
});
