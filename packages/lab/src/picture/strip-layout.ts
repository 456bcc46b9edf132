import type { RunRecord } from "../run/record.js";
import { countUntil, momentsOf } from "../run/views.js";
import { indexOf } from "./record-index.js";
import type { Size } from "./surface.js";

/** What of the run is in view. */
export interface TimeSpan {
  readonly fromUs: number;
  readonly toUs: number;
}

export interface StripLayout {
  readonly boards: number;
  readonly span: TimeSpan;
  readonly left: number;
  readonly right: number;
  readonly top: number;
  readonly bottom: number;
  readonly laneHeight: number;
  readonly pxPerUs: number;
  x(us: number): number;
  us(x: number): number;
  laneTop(board: number): number;
}

/** Height that so many boards need. */
export function stripHeight(boards: number): number {
  return 34 + Math.min(Math.max(boards * 22, 56), Math.max(300, boards * 9));
}

export function layoutStrip({ width, height }: Size, boards: number, span: TimeSpan): StripLayout {
  const left = width < 520 ? 44 : 64;
  const right = width - 10;
  const top = 6;
  const bottom = height - 24;
  const laneHeight = (bottom - top) / Math.max(boards, 1);
  const pxPerUs = (right - left) / Math.max(span.toUs - span.fromUs, 1);
  return {
    boards,
    span,
    left,
    right,
    top,
    bottom,
    laneHeight,
    pxPerUs,
    x: (us) => left + (us - span.fromUs) * pxPerUs,
    us: (x) => span.fromUs + (x - left) / pxPerUs,
    laneTop: (board) => top + (board - 1) * laneHeight,
  };
}

/** Round instants for the axis: 1, 2 or 5 times a power of ten apart, and at least 90 pixels. */
export function ticksOf(layout: StripLayout): { us: number; text: string }[] {
  const leastUs = 90 / layout.pxPerUs;
  const power = 10 ** Math.floor(Math.log10(Math.max(leastUs, 1)));
  const everyUs =
    [1, 2, 5, 10].map((factor) => factor * power).find((us) => us >= leastUs) ?? power;
  const ticks: { us: number; text: string }[] = [];
  const first = Math.ceil(layout.span.fromUs / everyUs) * everyUs;
  for (let us = first; us <= layout.span.toUs && ticks.length < 100; us += everyUs) {
    ticks.push({ us, text: tickText(us, everyUs) });
  }
  return ticks;
}

/** As many digits as it takes to tell two ticks apart. */
function tickText(us: number, everyUs: number): string {
  if (us === 0) return "0";
  const power = Math.floor(Math.log10(everyUs) + 1e-9);
  if (us >= 1_000_000 || everyUs >= 1_000_000) {
    return `${(us / 1_000_000).toFixed(Math.max(0, 6 - power))} s`;
  }
  if (us >= 1_000) return `${(us / 1_000).toFixed(Math.max(0, 3 - power))} ms`;
  return `${Math.round(us)} µs`;
}

/** Zooms around an instant, which stays where it is on the screen; never beyond the run. */
export function zoomed(span: TimeSpan, aroundUs: number, factor: number, endUs: number): TimeSpan {
  const length = Math.min(Math.max((span.toUs - span.fromUs) * factor, 2_000), Math.max(endUs, 1));
  const share = (aroundUs - span.fromUs) / Math.max(span.toUs - span.fromUs, 1);
  return clamped(aroundUs - share * length, length, endUs);
}

/** Moves along by a share of what is in view. */
export function panned(span: TimeSpan, byUs: number, endUs: number): TimeSpan {
  return clamped(span.fromUs + byUs, span.toUs - span.fromUs, endUs);
}

function clamped(fromUs: number, length: number, endUs: number): TimeSpan {
  const from = Math.min(Math.max(fromUs, 0), Math.max(endUs - length, 0));
  return { fromUs: from, toUs: from + length };
}

/** The datagram at a point of the strip, or the nearest one within a few pixels, or -1. */
export function rowAtStrip(layout: StripLayout, record: RunRecord, x: number, y: number): number {
  const { startUs, leftUs, count } = record.datagrams;
  const index = indexOf(record);
  const slack = 6 / layout.pxPerUs;
  const us = layout.us(x);
  const board = 1 + Math.floor((y - layout.top) / layout.laneHeight);
  const isBack = y > layout.laneTop(board) + layout.laneHeight / 2 ? 1 : 0;
  let best = -1;
  let bestUs = slack;
  const from = countUntil(startUs, us - momentsOf(record).longestUs - slack, count);
  const to = countUntil(startUs, us + slack, count);
  for (let row = from; row < to; row++) {
    if (index.lane[row] !== board || index.isBack[row] !== isBack) continue;
    const distance = us < startUs[row]! ? startUs[row]! - us : Math.max(0, us - leftUs[row]!);
    if (distance <= bestUs) {
      bestUs = distance;
      best = row;
    }
  }
  return best;
}
