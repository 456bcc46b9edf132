import { LineChart } from "echarts/charts";
import { GridComponent, MarkLineComponent } from "echarts/components";
import * as echarts from "echarts/core";
import { SVGRenderer } from "echarts/renderers";
import { escaped } from "./markup.js";
import { lineStyle, TONES } from "./palette.js";
import type { Axis, Line, Panel, Point } from "./panel.js";

/**
 * The only file with the library that draws. It is built into a file of its own, which is loaded
 * when a report is wanted: every other command starts as fast as without it.
 */
echarts.use([LineChart, GridComponent, MarkLineComponent, SVGRenderer]);

/** Of a drawing that does not say its own, pixels. */
const SIZE = { width: 420, height: 270 } as const;
const GRID = { left: 66, right: 18, top: 24, bottom: 54 } as const;
type Size = NonNullable<Panel["size"]>;

const FONT = "sans-serif";
const FONT_PX = 12;
/** Of one character, roughly. */
const CHARACTER_PX = 7;
/** Between the whiskers of two lines, as a share of the way from place to place. */
const ASIDE = 0.09;

/**
 * Draws a panel as SVG, by day; the page's style sheet turns its colours at night. The same panel
 * gives the same bytes, whatever was drawn before.
 * @param name - of the drawing, unique in the page: letters, digits and hyphens
 */
export function drawPanel(name: string, panel: Panel): string {
  const size = panel.size ?? SIZE;
  const chart = echarts.init(null, null, { renderer: "svg", ssr: true, ...size });
  try {
    chart.setOption(optionOf(panel, size));
    const title = escaped(panel.heading === "" ? panel.y.name || panel.x.name : panel.heading);
    const head = headOf(name, title, escaped(panel.words), size);
    return tidied(chart.renderToSVGString(), name, head);
  } finally {
    chart.dispose();
  }
}

/** The beginning, with what is said to those who do not see the rest. */
function headOf(name: string, title: string, words: string, { width, height }: Size): string {
  const ids = `${name}-title ${name}-words`;
  return [
    `<svg class="drawing" role="img" aria-labelledby="${ids}" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${width} ${height}" width="${width}" height="${height}">`,
    `<title id="${name}-title">${title}</title>`,
    `<desc id="${name}-words">${words}</desc>`,
    "",
  ].join("\n");
}

/** What only serves a mouse goes, and lines without points; names are unique in the page, not in the process. */
function tidied(svg: string, name: string, head: string): string {
  return svg
    .replaceAll(/<style ?>.*?<\/style>\n*/gs, "")
    .replaceAll(/ (?:class|pointer-events|ecmeta_\w+)="[^"]*"/g, "")
    .replaceAll(/<path d="" [^>]*><\/path>\n*/g, "")
    .replaceAll("<defs >", "<defs>")
    .replace(/^<svg [^>]*>\n/, () => head)
    .replaceAll(/\bzr\d+-/g, `${name}-`)
    .trim();
}

function optionOf({ x, y, lines, level }: Panel, size: Size): echarts.EChartsCoreOption {
  const series = lines.flatMap((line) => seriesOf(line, asideOf(line, lines, x)));
  return {
    animation: false,
    textStyle: { fontFamily: FONT, fontSize: FONT_PX, color: TONES.ink.day },
    grid: { ...GRID, outerBoundsMode: "none" },
    xAxis: { ...axisOf(x, labelsAcross(x, size)), nameGap: 34, splitLine: { show: false } },
    yAxis: { ...axisOf(y, labelsUpwards(size)), nameGap: 50 },
    series: level ? [...series, levelOf(level)] : series,
  };
}

/** @param labelsMax - as many labels fit beside each other */
function axisOf(axis: Axis, labelsMax: number) {
  const { name, scale, min, max, step } = axis;
  const places = scale === "places" ? placesOf(axis, labelsMax) : undefined;
  const stroke = { show: true, lineStyle: { color: TONES["ink-soft"].day } };
  return {
    type: scale === "log" ? "log" : "value",
    name,
    nameLocation: "middle",
    nameTextStyle: { color: TONES.ink.day, fontSize: FONT_PX },
    min,
    max,
    ...(step !== undefined && { interval: step }),
    axisLabel: {
      color: TONES.ink.day,
      fontSize: FONT_PX,
      formatter: axis.label,
      ...(places && { customValues: places.labelled }),
      hideOverlap: true,
    },
    axisLine: { onZero: false, ...stroke },
    axisTick: { ...stroke, ...(places && { customValues: places.all }) },
    splitLine: { show: true, lineStyle: { color: TONES.line.day } },
  };
}

function allPlaces({ min, max }: Axis): number[] {
  return Array.from({ length: Math.floor(max) - Math.ceil(min) + 1 }, (_, i) => Math.ceil(min) + i);
}

/** All places, and those of them that are labelled. */
function placesOf(axis: Axis, labelsMax: number): { all: number[]; labelled: number[] } {
  const all = allPlaces(axis);
  const every = Math.max(1, Math.ceil(all.length / labelsMax));
  return { all, labelled: all.filter((_, index) => index % every === 0) };
}

function labelsAcross(axis: Axis, { width }: Size): number {
  const longest = Math.max(1, ...allPlaces(axis).map((place) => axis.label(place).length));
  return (width - GRID.left - GRID.right) / (longest * CHARACTER_PX + 8);
}

function labelsUpwards({ height }: Size): number {
  return (height - GRID.top - GRID.bottom) / (FONT_PX + 4);
}

/** Lines over places are moved aside from each other, so that their whiskers can be told apart. */
function asideOf({ style }: Line, lines: readonly Line[], x: Axis): number {
  const styles = Math.max(...lines.map((line) => line.style)) + 1;
  return x.scale === "places" ? (style - (styles - 1) / 2) * ASIDE : 0;
}

function seriesOf({ style, form, points }: Line, aside: number) {
  const { tone, dash, mark } = lineStyle(style);
  const color = TONES[tone].day;
  const at = ({ x }: Point) => x + aside;
  const line = {
    type: "line",
    ...(form === "stairs" && { step: "end" }),
    data: points.map((point) => ({
      value: [at(point), point.y ?? "-"],
      symbol: point.isMarked ? mark : "none",
    })),
    symbolSize: 9,
    showAllSymbol: true,
    z: 3,
    lineStyle: { color, width: 2, type: dash.length > 0 ? [...dash] : "solid" },
    itemStyle: { color },
  };
  const whiskers = points.filter(({ low, high }) => low !== undefined && high !== undefined);
  if (whiskers.length === 0) return [line];
  return [
    { ...whiskersOf(whiskers, at), lineStyle: { color, width: 1.5 }, itemStyle: { color } },
    line,
  ];
}

/** Upright strokes with a cap at each end. */
function whiskersOf(points: readonly Point[], at: (point: Point) => number) {
  return {
    type: "line",
    data: points.flatMap((point) => [
      [at(point), point.low],
      [at(point), point.high],
      [at(point), "-"],
    ]),
    symbol: "rect",
    symbolSize: [9, 1.5],
    showAllSymbol: true,
    z: 2,
  };
}

function levelOf({ y, label }: NonNullable<Panel["level"]>) {
  const color = TONES["ink-soft"].day;
  return {
    type: "line",
    data: [],
    markLine: {
      symbol: "none",
      silent: true,
      data: [{ yAxis: y }],
      lineStyle: { color, width: 1.5, type: [3, 3] },
      label: {
        position: "insideStartTop",
        formatter: label,
        color: TONES.ink.day,
        fontSize: FONT_PX,
      },
    },
  };
}
