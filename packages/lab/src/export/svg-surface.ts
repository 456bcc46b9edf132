import { PathPen, short } from "../picture/path-pen.js";
import type { Surface } from "../picture/surface.js";

/** Takes what a picture draws and writes it as elements of an SVG file. */
export class SvgSurface implements Surface {
  fillStyle: string | CanvasGradient | CanvasPattern = "#000";
  strokeStyle: string | CanvasGradient | CanvasPattern = "#000";
  lineWidth = 1;
  globalAlpha = 1;
  font = "12px sans-serif";
  textAlign: CanvasTextAlign = "left";
  textBaseline: CanvasTextBaseline = "alphabetic";
  #pen = new PathPen();
  #dash: readonly number[] = [];
  readonly #elements: string[] = [];

  /** Everything so far, to stand inside an `svg` or a `g`. */
  get markup(): string {
    return this.#elements.join("\n");
  }

  beginPath(): void {
    this.#pen = new PathPen();
  }

  moveTo(x: number, y: number): void {
    this.#pen.moveTo(x, y);
  }

  lineTo(x: number, y: number): void {
    this.#pen.lineTo(x, y);
  }

  rect(x: number, y: number, width: number, height: number): void {
    this.#pen.rect(x, y, width, height);
  }

  fill(): void {
    if (this.#pen.path === "") return;
    this.#put("path", `d="${this.#pen.path}" ${this.#filled()}`);
  }

  stroke(): void {
    if (this.#pen.path === "") return;
    this.#put("path", `d="${this.#pen.path}" ${this.#stroked()}`);
  }

  fillRect(x: number, y: number, width: number, height: number): void {
    this.#put("rect", `${box(x, y, width, height)} ${this.#filled()}`);
  }

  strokeRect(x: number, y: number, width: number, height: number): void {
    this.#put("rect", `${box(x, y, width, height)} ${this.#stroked()}`);
  }

  fillText(text: string, x: number, y: number): void {
    const anchor = { left: "start", start: "start", center: "middle", right: "end", end: "end" }[
      this.textAlign
    ];
    const shift = BASELINES[this.textBaseline] ?? "0";
    const place = `x="${short(x)}" y="${short(y)}" dy="${shift}" text-anchor="${anchor}"`;
    const style = `style="font:${escaped(this.font)}" fill="${colour(this.fillStyle)}"${this.#alpha()}`;
    this.#elements.push(`<text ${place} ${style}>${escaped(text)}</text>`);
  }

  setLineDash(dash: readonly number[]): void {
    this.#dash = [...dash];
  }

  #put(name: string, attributes: string): void {
    this.#elements.push(`<${name} ${attributes}/>`);
  }

  #filled(): string {
    return `fill="${colour(this.fillStyle)}"${this.#alpha()}`;
  }

  #stroked(): string {
    const dash = this.#dash.length === 0 ? "" : ` stroke-dasharray="${this.#dash.join(" ")}"`;
    const width = `stroke-width="${short(this.lineWidth)}"`;
    return `fill="none" stroke="${colour(this.strokeStyle)}" ${width}${dash}${this.#alpha()}`;
  }

  #alpha(): string {
    return this.globalAlpha >= 1 ? "" : ` opacity="${short(Math.max(this.globalAlpha, 0))}"`;
  }
}

/** How far below its anchor a text begins, in ems: SVG viewers do not agree on baselines. */
const BASELINES: Partial<Record<CanvasTextBaseline, string>> = {
  middle: "0.35em",
  top: "0.8em",
  bottom: "-0.2em",
};

function box(x: number, y: number, width: number, height: number): string {
  // A width below zero is an error in SVG; on a canvas it goes to the left.
  const [left, wide] = width < 0 ? [x + width, -width] : [x, width];
  return `x="${short(left)}" y="${short(y)}" width="${short(wide)}" height="${short(Math.max(height, 0))}"`;
}

function colour(style: string | CanvasGradient | CanvasPattern): string {
  return typeof style === "string" ? escaped(style) : "none";
}

/** Text as it may stand in an element or an attribute. */
export function escaped(text: string): string {
  return text
    .replaceAll("&", "&amp;")
    .replaceAll("<", "&lt;")
    .replaceAll(">", "&gt;")
    .replaceAll('"', "&quot;");
}
