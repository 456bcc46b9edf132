import type { Pen } from "./marks.js";

/** Writes what is traced as the path of an SVG file. */
export class PathPen implements Pen {
  path = "";

  moveTo(x: number, y: number): void {
    this.path += `M${short(x)} ${short(y)}`;
  }

  lineTo(x: number, y: number): void {
    this.path += `L${short(x)} ${short(y)}`;
  }

  rect(x: number, y: number, width: number, height: number): void {
    this.path += `M${short(x)} ${short(y)}h${short(width)}v${short(height)}h${short(-width)}z`;
  }
}

/** A hundredth of a pixel is enough. */
export function short(value: number): string {
  return String(Math.round(value * 100) / 100);
}
