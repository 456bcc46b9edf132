import { InvalidArgumentError } from "commander";

/**
 * Readers of option values, for commander's `argParser`. Each throws what commander shows behind
 * "option … argument … is invalid".
 */

const UNITS_US: Readonly<Record<string, number>> = {
  us: 1,
  ms: 1000,
  s: 1_000_000,
  min: 60_000_000,
  h: 3_600_000_000,
  d: 86_400_000_000,
};

const DURATION_WORDS = "a number with a unit, such as 500ms, 30s, 5min or 2h";

/** `500ms`, `1.5s`, `5min`, `2h`, `1d` in whole microseconds; `undefined` if it is none. */
export function parseDurationUs(text: string): number | undefined {
  const match = /^(\d+(?:\.\d+)?)\s*(us|ms|s|min|h|d)$/.exec(text.trim());
  if (!match) return undefined;
  const us = Math.round(Number(match[1]) * (UNITS_US[match[2] ?? ""] ?? 0));
  return Number.isSafeInteger(us) ? us : undefined;
}

/** A duration above 0, in microseconds. */
export function durationUs(text: string): number {
  const us = parseDurationUs(text);
  if (us === undefined) throw new InvalidArgumentError(`Give ${DURATION_WORDS}.`);
  if (us <= 0) throw new InvalidArgumentError("Give more than 0.");
  return us;
}

/** A whole number from `min` to `max`. */
export function wholeNumber(min: number, max: number): (text: string) => number {
  return (text) => {
    const value = /^\d{1,16}$/.test(text) ? Number(text) : Number.NaN;
    if (Number.isSafeInteger(value) && value >= min && value <= max) return value;
    throw new InvalidArgumentError(`Give a whole number from ${min} to ${max}.`);
  };
}

/** A share from 0 to 1, or in percent: `0.2`, `20%`. */
export function share(text: string): number {
  const value = parseShare(text);
  if (value === undefined) {
    throw new InvalidArgumentError("Give a number from 0 to 1, or a percentage such as 20%.");
  }
  return value;
}

/** @see share */
export function parseShare(text: string): number | undefined {
  const match = /^(\d*\.?\d+)(%?)$/.exec(text);
  if (!match) return undefined;
  const value = Number(match[1]) / (match[2] === "%" ? 100 : 1);
  return value >= 0 && value <= 1 ? value : undefined;
}

const SIZE_UNITS: Readonly<Record<string, number>> = {
  "": 1,
  B: 1,
  kB: 1000,
  MB: 1e6,
  GB: 1e9,
  KiB: 1024,
  MiB: 1024 ** 2,
  GiB: 1024 ** 3,
};

/** A number of bytes above 0: `4096`, `64kB`, `1MiB`. */
export function byteCount(text: string): number {
  const match = /^(\d+(?:\.\d+)?)\s*([A-Za-z]*)$/.exec(text);
  const unit = match && Object.hasOwn(SIZE_UNITS, match[2] ?? "") ? SIZE_UNITS[match[2] ?? ""] : 0;
  const bytes = Math.round(Number(match?.[1]) * (unit ?? 0));
  if (Number.isSafeInteger(bytes) && bytes > 0) return bytes;
  throw new InvalidArgumentError(`Give bytes, such as 4096, 64kB or 1MiB.`);
}
