import { count } from "../format.js";

/** Figures and scales of drawings. All pure. */

/** In what a span of times is drawn. */
export interface TimeUnit {
  readonly name: "ms" | "s";
  readonly us: number;
}

/** Seconds where milliseconds would be numbers of five digits and more. */
export function timeUnit(longestUs: number): TimeUnit {
  return longestUs < 10_000_000 ? { name: "ms", us: 1000 } : { name: "s", us: 1_000_000 };
}

/** `0.85`, `12`, `1,200`: a number at a scale, without digits that say nothing. */
export function plain(value: number): string {
  return Math.abs(value) >= 1000 ? count(value) : String(Number(value.toPrecision(6)));
}

/** `7.32`, `48.1`, `1,249`: three digits, as in the terminal. */
export function threeDigits(value: number): string {
  if (value >= 1000) return count(Math.round(value));
  return value === 0 ? "0" : value.toFixed(value < 10 ? 2 : 1);
}

/** `100 %`, `99.6 %`; 100 and 0 only where that is the whole truth. */
export function shareWords(part: number, whole: number): string {
  if (part === whole) return "100 %";
  if (part === 0) return "0 %";
  return `${Math.min(99.9, Math.max(0.1, (part / whole) * 100)).toFixed(1)} %`;
}

/** The end of a scale from 0 and the step between its numbers: 1, 2 or 5 times a power of ten. */
export function evenScale(most: number): { max: number; step: number } {
  if (!(most > 0)) return { max: 1, step: 0.5 };
  const rough = most / 5;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * ([1, 2, 5].find((times) => times * power >= rough) ?? 10);
  return { max: Math.ceil(most / step - 1e-9) * step, step };
}

/** The powers of ten around these numbers, all above 0. */
export function logScale(least: number, most: number): { min: number; max: number } {
  const min = 10 ** Math.floor(Math.log10(least) + 1e-9);
  const max = 10 ** Math.ceil(Math.log10(most) - 1e-9);
  return { min, max: max > min ? max : min * 10 };
}

/** From this ratio of the greatest to the least on, small ones would vanish on an even scale. */
export const LOG_FROM = 30;
