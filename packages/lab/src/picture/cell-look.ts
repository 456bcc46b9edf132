import type { FragmentState } from "./fragment-states.js";
import { traceCross } from "./marks.js";
import type { Colour, Palette } from "./palette.js";
import type { Surface } from "./surface.js";

/** How a cell in one state looks. Each differs from the others in shape too, not in colour alone. */
interface Look {
  readonly fill?: Colour;
  readonly fillAlpha?: number;
  readonly line?: Colour;
  readonly lineAlpha?: number;
  readonly isDashed?: true;
  /** A smaller square inside: a tile on its way into the cell. */
  readonly hasTile?: true;
  readonly hasCross?: true;
}

const LOOKS: Record<FragmentState, Look> = {
  waiting: { line: "ink-soft", lineAlpha: 0.6 },
  flying: { line: "data", hasTile: true },
  died: { line: "lost", isDashed: true, hasCross: true },
  lost: { fill: "lost", fillAlpha: 0.22, line: "lost", hasCross: true },
  arrived: { fill: "data", fillAlpha: 0.5, line: "data" },
  known: { fill: "data" },
};

/** Cells of this size and less are dots. */
const TINY_PX = 6;

/** Calls back with the left upper corner of each square. */
export type Squares = (each: (x: number, y: number) => void) => void;

/** Draws all cells that are in one state, each kind of line in one go: there may be thousands. */
export function drawCellsIn(
  surface: Surface,
  state: FragmentState,
  squares: Squares,
  px: number,
  palette: Palette,
): void {
  const look = LOOKS[state];
  if (look.fill !== undefined) {
    surface.globalAlpha = look.fillAlpha ?? 1;
    surface.fillStyle = palette[look.fill];
    squares((x, y) => surface.fillRect(x, y, px, px));
  }
  if (look.line !== undefined) drawLines(surface, look, look.line, squares, px, palette);
  surface.globalAlpha = 1;
}

function drawLines(
  surface: Surface,
  look: Look,
  line: Colour,
  squares: Squares,
  px: number,
  palette: Palette,
): void {
  surface.globalAlpha = look.lineAlpha ?? 1;
  if (px <= TINY_PX) {
    // No room for a line around: a dot, or a dash for what has a cross.
    surface.fillStyle = palette[line];
    const wide = look.hasCross ? px : px / 2;
    squares((x, y) => surface.fillRect(x + (px - wide) / 2, y + px / 4, wide, px / 2));
    return;
  }
  surface.strokeStyle = palette[line];
  surface.lineWidth = 1;
  if (look.isDashed) surface.setLineDash([2, 2]);
  surface.beginPath();
  squares((x, y) => surface.rect(x + 0.5, y + 0.5, px - 1, px - 1));
  surface.stroke();
  surface.setLineDash([]);
  if (look.hasTile) {
    surface.fillStyle = palette[line];
    squares((x, y) => surface.fillRect(x + px * 0.3, y + px * 0.3, px * 0.4, px * 0.4));
  }
  if (look.hasCross) {
    surface.lineWidth = Math.max(px / 12, 1);
    surface.beginPath();
    squares((x, y) => traceCross(surface, x + px / 2, y + px / 2, px * 0.24));
    surface.stroke();
  }
}
