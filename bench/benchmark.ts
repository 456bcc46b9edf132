/** One line of a table, and of the JSON output. `bench` is the name of the benchmark. */
export type Row = { readonly bench: string } & Readonly<Record<string, string | number>>;

/** How much work to do. */
export interface BenchOptions {
  /** Runs with different random numbers for each row that is a statistic. */
  readonly seeds: number;
  /** Share of the usual amount of work for what is timed, above 0; 1 is the usual. */
  readonly scale: number;
}

/** One benchmark: what `npm run bench -- NAME` runs. */
export interface Benchmark {
  readonly name: string;
  readonly title: string;
  /** What the columns are, with their units; one line each. */
  readonly notes: readonly string[];
  /** Takes real time and more than an ordinary user may do: not part of `all`. */
  readonly isApart?: boolean;
  run(options: BenchOptions): AsyncIterable<Row>;
}

/** Rounds for the eye, and so that JSON lines stay short. */
export function rounded(value: number, digits: number): number {
  const factor = 10 ** digits;
  return Math.round(value * factor) / factor;
}

export function mean(values: readonly number[]): number {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

/**
 * The smallest value that at least this share of the values does not exceed (nearest rank).
 * @param share - above 0, at most 1
 */
export function percentile(values: readonly number[], share: number): number {
  const sorted = [...values].sort((one, other) => one - other);
  return sorted[Math.max(0, Math.ceil(share * sorted.length) - 1)] ?? Number.NaN;
}

export function largest(values: readonly number[]): number {
  return values.reduce((most, value) => Math.max(most, value), Number.NEGATIVE_INFINITY);
}
