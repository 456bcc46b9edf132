/**
 * What a picture draws on: the part of a canvas that an SVG file can have as well, so that every
 * picture is drawn by the same lines of code on the screen and into a file.
 */
export type Surface = Pick<
  CanvasRenderingContext2D,
  | "beginPath"
  | "moveTo"
  | "lineTo"
  | "rect"
  | "fill"
  | "stroke"
  | "fillRect"
  | "strokeRect"
  | "fillText"
  | "setLineDash"
  | "fillStyle"
  | "strokeStyle"
  | "lineWidth"
  | "globalAlpha"
  | "font"
  | "textAlign"
  | "textBaseline"
>;

/** Pixels of CSS. */
export interface Size {
  readonly width: number;
  readonly height: number;
}
