import type { ChartOption } from "../charts/chart-option.js";
import type { Palette } from "../picture/palette.js";
import type { Size, Surface } from "../picture/surface.js";
import { escaped, SvgSurface } from "./svg-surface.js";

/** One picture of a sheet. */
export interface SheetPicture extends Size {
  readonly title: string;
  readonly draw: { readonly on: (surface: Surface) => void } | { readonly chart: ChartOption };
}

const MARGIN = 24;
const TITLE_PX = 26;

/**
 * All pictures below each other on one sheet, as an SVG file.
 *
 * @param chartToSvg - writes one chart; given, because it brings the whole library with it
 */
export function sheetToSvg(
  heading: string,
  words: string,
  pictures: readonly SheetPicture[],
  palette: Palette,
  chartToSvg: (option: ChartOption, size: Size) => string,
): { svg: string } & Size {
  const width = Math.max(...pictures.map((picture) => picture.width)) + 2 * MARGIN;
  const parts: string[] = [];
  let y = MARGIN + 18;
  parts.push(line(heading, y, `600 20px ${palette.font}`, palette.ink));
  y += 22;
  parts.push(line(words, y, `400 13px ${palette.font}`, palette["ink-soft"]));
  y += 14;
  for (const picture of pictures) {
    parts.push(line(picture.title, y + 19, `600 14px ${palette.font}`, palette.ink));
    y += TITLE_PX;
    parts.push(`<g transform="translate(${MARGIN} ${y})">${insideOf(picture, chartToSvg)}</g>`);
    y += picture.height + 12;
  }
  const height = y + MARGIN - 12;
  const ground = `<rect width="${width}" height="${height}" fill="${escaped(palette.paper)}"/>`;
  const svg = `<svg xmlns="http://www.w3.org/2000/svg" width="${width}" height="${height}" viewBox="0 0 ${width} ${height}" role="img"><title>${escaped(heading)}</title><desc>${escaped(words)}</desc>${ground}${parts.join("\n")}</svg>\n`;
  return { svg, width, height };
}

function line(text: string, y: number, font: string, fill: string): string {
  return `<text x="${MARGIN}" y="${y}" style="font:${escaped(font)}" fill="${escaped(fill)}">${escaped(text)}</text>`;
}

function insideOf(
  picture: SheetPicture,
  chartToSvg: (option: ChartOption, size: Size) => string,
): string {
  const { draw, width, height } = picture;
  if ("chart" in draw) return chartToSvg(draw.chart, { width, height });
  const surface = new SvgSurface();
  draw.on(surface);
  // What would stick out is cut off, as at the edge of a canvas.
  return `<svg width="${width}" height="${height}" overflow="hidden">${surface.markup}</svg>`;
}
