/** A point of a chart: time in the chart's unit, and a value. */
export type Point = [number, number];

/** What of a chart is in view. */
export interface View {
  readonly from: number;
  readonly to: number;
  /** Largest value. */
  readonly top: number;
}

/** So few are drawn as they are, also those out of view. */
const FEW = 2_000;
/** Finer than any screen that the page is drawn on. */
const COLUMNS = 1_000;
const LINES = 500;

/**
 * Of very many points those that can be told apart: in view, and one for each spot of a pixel's size.
 * The picture stays the same.
 */
export function thinned(points: Point[], { from, to, top }: View): Point[] {
  if (points.length <= FEW) return points;
  const perColumn = (to - from) / COLUMNS || 1;
  const perLine = top / LINES || 1;
  const taken = new Uint8Array((COLUMNS + 1) * (LINES + 1));
  return points.filter(([x, y]) => {
    if (x < from || x > to) return false;
    const column = Math.floor((x - from) / perColumn);
    const line = Math.min(LINES, Math.max(0, Math.floor(y / perLine)));
    const spot = column * (LINES + 1) + line;
    if (taken[spot] === 1) return false;
    taken[spot] = 1;
    return true;
  });
}

/** Of a line of steps with very many of them the last one in each column of pixels. */
export function thinnedSteps(points: Point[], { from, to }: View): Point[] {
  if (points.length <= FEW) return points;
  const perColumn = (to - from) / COLUMNS || 1;
  const column = ([x]: Point): number =>
    Math.floor((Math.min(Math.max(x, from), to) - from) / perColumn);
  return points.filter((point, index) => {
    const next = points[index + 1];
    return next === undefined || column(next) !== column(point);
  });
}
