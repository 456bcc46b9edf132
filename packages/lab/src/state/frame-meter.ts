import { signal } from "@preact/signals";

const KEPT = 240;
const betweenMs = new Float64Array(KEPT);
const drawingMs = new Float64Array(KEPT);
let frames = 0;
let drawings = 0;

/** Whether the person wants to see it. */
export const isMeterShown = signal(false);

/** What the last frames while playing came to. */
export interface FrameFigures {
  /** Since the page was opened. */
  readonly frames: number;
  readonly perSecond: number;
  /** Between two frames, and spent on drawing one: milliseconds. */
  readonly betweenMs: { readonly median: number; readonly p95: number; readonly max: number };
  readonly drawingMs: { readonly median: number; readonly p95: number; readonly max: number };
}

/** Counts one frame. @param passedMs - since the one before */
export function noteFrame(passedMs: number): void {
  betweenMs[frames % KEPT] = passedMs;
  frames++;
}

/** What the page itself spent on one. */
export function noteDrawing(ms: number): void {
  drawingMs[drawings % KEPT] = ms;
  drawings++;
}

export function frameFigures(): FrameFigures {
  const between = spread(betweenMs, frames);
  return {
    frames,
    perSecond: between.mean === 0 ? 0 : 1_000 / between.mean,
    betweenMs: between,
    drawingMs: spread(drawingMs, drawings),
  };
}

export function resetFrameMeter(): void {
  frames = 0;
  drawings = 0;
}

function spread(
  ring: Float64Array,
  count: number,
): { mean: number; median: number; p95: number; max: number } {
  const kept = ring.slice(0, Math.min(count, KEPT)).sort();
  if (kept.length === 0) return { mean: 0, median: 0, p95: 0, max: 0 };
  const at = (share: number): number =>
    kept[Math.min(kept.length - 1, Math.floor(share * kept.length))] ?? 0;
  const mean = kept.reduce((sum, value) => sum + value, 0) / kept.length;
  return { mean, median: at(0.5), p95: at(0.95), max: kept[kept.length - 1] ?? 0 };
}
