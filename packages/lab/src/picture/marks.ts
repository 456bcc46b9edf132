import { DATAGRAM_KINDS, type DatagramKind } from "../run/record.js";
import type { Colour, Palette } from "./palette.js";
import type { Surface } from "./surface.js";

/** The part of a surface that shapes need; an SVG path has it too. */
export type Pen = Pick<Surface, "moveTo" | "lineTo" | "rect">;

/**
 * Each kind has a shape of its own beside its colour: a picture must be read without colours. Shapes
 * are closed by a line, not by `closePath`: in a path of thousands, that takes a browser very long.
 */
export function traceMark(
  pen: Pen,
  kind: DatagramKind,
  x: number,
  y: number,
  width: number,
  height: number,
  isBack: boolean,
): void {
  const left = x - width / 2;
  const top = y - height / 2;
  switch (kind) {
    case "data":
      pen.rect(left, top, width, height);
      return;
    case "repeat":
      // A rectangle with a slice cut off in front: the second copy.
      pen.rect(left, top, width * 0.16, height);
      pen.rect(left + width * 0.28, top, width * 0.72, height);
      return;
    case "ack":
      traceArrow(pen, x, y, Math.max(width, height * 0.9), height, isBack ? -1 : 1);
      return;
    case "opening":
      traceDiamond(pen, x, y, Math.max(width * 0.7, height) * 0.75, height * 0.75);
      return;
    case "command":
      traceFlag(pen, left, top, Math.max(width, height), height);
      return;
    case "other":
      pen.rect(left, y - height * 0.18, width, height * 0.36);
      return;
  }
}

function traceArrow(
  pen: Pen,
  x: number,
  y: number,
  width: number,
  height: number,
  way: 1 | -1,
): void {
  pen.moveTo(x + (way * width) / 2, y);
  pen.lineTo(x - (way * width) / 2, y - height / 2);
  pen.lineTo(x - (way * width) / 4, y);
  pen.lineTo(x - (way * width) / 2, y + height / 2);
  pen.lineTo(x + (way * width) / 2, y);
}

function traceDiamond(pen: Pen, x: number, y: number, halfWidth: number, halfHeight: number): void {
  pen.moveTo(x - halfWidth, y);
  pen.lineTo(x, y - halfHeight);
  pen.lineTo(x + halfWidth, y);
  pen.lineTo(x, y + halfHeight);
  pen.lineTo(x - halfWidth, y);
}

function traceFlag(pen: Pen, left: number, top: number, width: number, height: number): void {
  pen.moveTo(left, top);
  pen.lineTo(left + width, top);
  pen.lineTo(left + width * 0.7, top + height / 2);
  pen.lineTo(left + width, top + height);
  pen.lineTo(left, top + height);
  pen.lineTo(left, top);
}

/** A cross: something was lost here. */
export function traceCross(pen: Pen, x: number, y: number, arm: number): void {
  pen.moveTo(x - arm, y - arm);
  pen.lineTo(x + arm, y + arm);
  pen.moveTo(x + arm, y - arm);
  pen.lineTo(x - arm, y + arm);
}

/** Diagonal lines over a rectangle, cut at its edges. */
export function traceHatch(
  pen: Pen,
  left: number,
  top: number,
  width: number,
  height: number,
  everyPx: number,
): void {
  for (let offset = -height; offset < width; offset += everyPx) {
    const fromX = Math.max(offset, 0);
    const toX = Math.min(offset + height, width);
    if (toX <= fromX) continue;
    pen.moveTo(left + fromX, top + height - (fromX - offset));
    pen.lineTo(left + toX, top + height - (toX - offset));
  }
}

/** Colour by index in {@link DATAGRAM_KINDS}. */
export function kindColours(palette: Palette): readonly string[] {
  return DATAGRAM_KINDS.map((kind) => palette[kind satisfies Colour]);
}
