import type { RunRecord, TransferRecord } from "../run/record.js";
import { windowRowAt } from "../run/views.js";
import { drawCellsIn, type Squares } from "./cell-look.js";
import { FRAGMENT_STATES, fillFragmentStates } from "./fragment-states.js";
import type { Palette } from "./palette.js";
import type { Size, Surface } from "./surface.js";

/** A grid of cells, row by row; with very many fragments a cell stands for several. */
export interface CellLayout {
  readonly cellPx: number;
  readonly columns: number;
  readonly rows: number;
  readonly perCell: number;
  readonly left: number;
  readonly top: number;
}

const CELL_PX_MAX = 34;
const CELL_PX_MIN = 5;
const HEIGHT_PX_MAX = 230;
/** Room for the word above the window. */
const TOP_PX = 22;

/** Height for large cells if they are few, and no more than a hand's breadth if they are many. */
export function cellsHeight(width: number, fragmentCount: number): number {
  const columns = Math.max(Math.floor((width - 16) / CELL_PX_MAX), 1);
  const rows = Math.max(Math.ceil(fragmentCount / columns), 1);
  return Math.min(rows * CELL_PX_MAX, HEIGHT_PX_MAX) + TOP_PX + 8;
}

/** The largest cells with which everything fits. */
export function layoutCells({ width, height }: Size, fragmentCount: number): CellLayout {
  const roomWidth = width - 16;
  const roomHeight = height - TOP_PX - 8;
  for (let cellPx = CELL_PX_MAX; cellPx >= CELL_PX_MIN; cellPx--) {
    const columns = Math.max(Math.floor(roomWidth / cellPx), 1);
    const rows = Math.ceil(fragmentCount / columns);
    if (rows * cellPx <= roomHeight) {
      return { cellPx, columns, rows, perCell: 1, left: 8, top: TOP_PX };
    }
  }
  const columns = Math.max(Math.floor(roomWidth / CELL_PX_MIN), 1);
  const rowsMax = Math.max(Math.floor(roomHeight / CELL_PX_MIN), 1);
  const perCell = Math.ceil(fragmentCount / (columns * rowsMax));
  const rows = Math.ceil(fragmentCount / perCell / columns);
  return { cellPx: CELL_PX_MIN, columns, rows, perCell, left: 8, top: TOP_PX };
}

/** Where the sender's window stood at an instant: `[base, limit)`. */
export function windowAt(transfer: TransferRecord, atUs: number): readonly [number, number] {
  const index = windowRowAt(transfer, atUs);
  return index < 0 ? [0, 0] : [transfer.window.base[index]!, transfer.window.limit[index]!];
}

export interface CellsView {
  readonly record: RunRecord;
  readonly transfer: TransferRecord;
  readonly atUs: number;
  /** Is written to; one for each transfer, as long as its fragments. */
  readonly states: Uint8Array;
}

/** Draws the blob at the receiver as cells that fill in, with the window around some of them. */
export function drawCells(
  surface: Surface,
  size: Size,
  view: CellsView,
  palette: Palette,
): CellLayout {
  const { transfer, record, atUs, states } = view;
  const layout = layoutCells(size, transfer.fragmentCount);
  fillFragmentStates(transfer, record.datagrams, atUs, states);
  surface.fillStyle = palette.panel;
  surface.fillRect(0, 0, size.width, size.height);
  drawGrid(surface, layout, states, palette);
  if (layout.cellPx >= 22) drawCellNumbers(surface, layout, states, palette);
  const [base, limit] = windowAt(transfer, atUs);
  drawWindow(surface, layout, base, Math.min(limit, transfer.fragmentCount), palette);
  return layout;
}

/** Of several fragments in one cell the one that is least far shows. */
function worstOf(states: Uint8Array, cell: number, perCell: number): number {
  let worst = FRAGMENT_STATES.length - 1;
  const end = Math.min((cell + 1) * perCell, states.length);
  for (let fragment = cell * perCell; fragment < end; fragment++) {
    worst = Math.min(worst, states[fragment]!);
  }
  return worst;
}

/** Draws the cells of one state after the other. */
function drawGrid(
  surface: Surface,
  { left, top, columns, cellPx, perCell }: CellLayout,
  states: Uint8Array,
  palette: Palette,
): void {
  const cells = Math.ceil(states.length / perCell);
  const shown = perCell === 1 ? states : new Uint8Array(cells);
  if (perCell > 1) {
    for (let cell = 0; cell < cells; cell++) shown[cell] = worstOf(states, cell, perCell);
  }
  const gap = cellPx > 10 ? 2 : cellPx > 6 ? 1 : 0.5;
  for (const [code, state] of FRAGMENT_STATES.entries()) {
    if (!shown.includes(code)) continue;
    const squares: Squares = (each) => {
      for (let cell = 0; cell < cells; cell++) {
        if (shown[cell] !== code) continue;
        const row = Math.floor(cell / columns);
        each(left + (cell - row * columns) * cellPx + gap, top + row * cellPx + gap);
      }
    };
    drawCellsIn(surface, state, squares, cellPx - 2 * gap, palette);
  }
}

function drawCellNumbers(
  surface: Surface,
  { left, top, columns, cellPx }: CellLayout,
  states: Uint8Array,
  palette: Palette,
): void {
  surface.font = `500 ${Math.round(cellPx * 0.34)}px ${palette.font}`;
  surface.textAlign = "center";
  surface.textBaseline = "middle";
  for (let fragment = 0; fragment < states.length; fragment++) {
    const state = FRAGMENT_STATES[states[fragment]!];
    if (state !== "known" && state !== "arrived" && state !== "waiting") continue;
    surface.fillStyle =
      state === "known" ? palette.panel : state === "arrived" ? palette.ink : palette["ink-soft"];
    surface.fillText(
      String(fragment + 1),
      left + (fragment % columns) * cellPx + cellPx / 2,
      top + Math.floor(fragment / columns) * cellPx + cellPx / 2 + 0.5,
    );
  }
}

/** The window: a line around the cells from the first missing one to the last that may be sent. */
function drawWindow(
  surface: Surface,
  layout: CellLayout,
  base: number,
  limit: number,
  palette: Palette,
): void {
  const from = Math.floor(base / layout.perCell);
  const to = Math.ceil(limit / layout.perCell);
  if (to <= from) return;
  surface.strokeStyle = palette.ink;
  surface.lineWidth = layout.cellPx > 12 ? 2.5 : 1.5;
  surface.beginPath();
  traceRun(surface, layout, from, to);
  surface.stroke();
  const x = layout.left + (from % layout.columns) * layout.cellPx;
  const y = layout.top + Math.floor(from / layout.columns) * layout.cellPx;
  const isRight = x > layout.left + layout.columns * layout.cellPx * 0.8;
  surface.fillStyle = palette.ink;
  surface.font = `600 12px ${palette.font}`;
  surface.textAlign = isRight ? "right" : "left";
  surface.textBaseline = "alphabetic";
  // In the grid the word would lie on cells.
  if (Math.floor(from / layout.columns) === 0) {
    surface.fillText("window", isRight ? x + layout.cellPx : x, y - 6);
  }
}

/** The outline of the cells `[from, to)` that run on from line to line. */
function traceRun(surface: Surface, layout: CellLayout, from: number, to: number): void {
  const { left, top, columns, cellPx } = layout;
  const right = left + columns * cellPx;
  const fromRow = Math.floor(from / columns);
  const toRow = Math.floor((to - 1) / columns);
  const fromX = left + (from % columns) * cellPx;
  const toX = left + (((to - 1) % columns) + 1) * cellPx;
  const y = (row: number): number => top + row * cellPx;
  if (fromRow === toRow) {
    surface.rect(fromX, y(fromRow), toX - fromX, cellPx);
    return;
  }
  if (toRow === fromRow + 1 && toX <= fromX) {
    // Two pieces that do not touch.
    surface.rect(fromX, y(fromRow), right - fromX, cellPx);
    surface.rect(left, y(toRow), toX - left, cellPx);
    return;
  }
  surface.moveTo(fromX, y(fromRow));
  surface.lineTo(right, y(fromRow));
  surface.lineTo(right, y(toRow));
  surface.lineTo(toX, y(toRow));
  surface.lineTo(toX, y(toRow + 1));
  surface.lineTo(left, y(toRow + 1));
  surface.lineTo(left, y(fromRow + 1));
  surface.lineTo(fromX, y(fromRow + 1));
  surface.lineTo(fromX, y(fromRow));
}

/** The fragment under a point, or -1. */
export function fragmentAtPoint(
  { left, top, columns, cellPx, perCell }: CellLayout,
  fragmentCount: number,
  x: number,
  y: number,
): number {
  const column = Math.floor((x - left) / cellPx);
  const row = Math.floor((y - top) / cellPx);
  if (column < 0 || column >= columns || row < 0) return -1;
  const fragment = (row * columns + column) * perCell;
  return fragment < fragmentCount ? fragment : -1;
}
