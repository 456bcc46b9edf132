import type { Interval } from "./validation.js";

/**
 * Whether an instant falls into one of many intervals, asked in the order of time: each interval is
 * looked at until it is over, and never again.
 */
export class Timetable {
  readonly #intervals: readonly Interval[];
  #index = 0;

  /** @param intervals - in any order; they may overlap */
  constructor(intervals: readonly Interval[]) {
    this.#intervals = merged(intervals);
  }

  /** @param nowUs - not before the instant of the last call */
  covers(nowUs: number): boolean {
    const interval = this.current(nowUs);
    return interval !== undefined && nowUs >= interval[0];
  }

  /** The interval that runs at this instant, else the next one to come. */
  current(nowUs: number): Interval | undefined {
    let interval = this.#intervals[this.#index];
    while (interval !== undefined && interval[1] <= nowUs) {
      interval = this.#intervals[++this.#index];
    }
    return interval;
  }
}

/** The same span of time as intervals that are in order and do not touch. */
function merged(intervals: readonly Interval[]): Interval[] {
  const result: [fromUs: number, toUs: number][] = [];
  for (const [fromUs, toUs] of [...intervals].sort((a, b) => a[0] - b[0])) {
    const last = result.at(-1);
    if (last !== undefined && fromUs <= last[1]) last[1] = Math.max(last[1], toUs);
    else result.push([fromUs, toUs]);
  }
  return result;
}
