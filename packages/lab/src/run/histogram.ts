/** Counts of values in intervals of one width, side by side. */
export interface Histogram {
  /** Where the first interval begins. */
  readonly from: number;
  readonly width: number;
  /** A value on the border of two belongs to the later one; the greatest to the last. */
  readonly counts: readonly number[];
}

const BINS_MAX = 60;

/**
 * Sorts values into intervals of a width that suits them: twice the interquartile range, divided by
 * the cube root of their number (D. Freedman, P. Diaconis, "On the histogram as a density estimator:
 * L2 theory", Zeitschrift für Wahrscheinlichkeitstheorie und verwandte Gebiete 57, 1981; from
 * memory). At most 60 intervals. Where the middle half of the values is all alike: as many intervals
 * as the root of their number.
 *
 * @param values - those that are not finite are left out
 */
export function histogramOf(values: ArrayLike<number>): Histogram {
  const sorted = Float64Array.from(values).filter(Number.isFinite).sort();
  const count = sorted.length;
  if (count === 0) return { from: 0, width: 1, counts: [] };
  const from = sorted[0]!;
  const spread = sorted[count - 1]! - from;
  if (spread === 0) return { from, width: 1, counts: [count] };
  const bins = Math.min(BINS_MAX, Math.max(1, binsWanted(sorted, spread)));
  const width = spread / bins;
  const counts = new Array<number>(bins).fill(0);
  for (const value of sorted) {
    counts[Math.min(bins - 1, Math.floor((value - from) / width))]!++;
  }
  return { from, width, counts };
}

/** The value below which this share of sorted values lies, between the nearest two of them. */
export function quantile(sorted: ArrayLike<number>, share: number): number {
  const at = share * (sorted.length - 1);
  const low = Math.floor(at);
  const lower = sorted[low] ?? Number.NaN;
  const upper = sorted[Math.min(low + 1, sorted.length - 1)] ?? lower;
  return lower + (upper - lower) * (at - low);
}

function binsWanted(sorted: Float64Array, spread: number): number {
  const middle = quantile(sorted, 0.75) - quantile(sorted, 0.25);
  if (middle === 0) return Math.ceil(Math.sqrt(sorted.length));
  return Math.ceil(spread / ((2 * middle) / Math.cbrt(sorted.length)));
}
