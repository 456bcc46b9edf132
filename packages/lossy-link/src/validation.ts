import { LossyLinkError, type LossyLinkErrorCode } from "./errors.js";

/**
 * Checks of what the caller configures. Each throws a {@link LossyLinkError} that names the field,
 * what it held and what is allowed, and returns nothing.
 */

/** A span of time, microseconds: from `fromUs` (inside) to `toUs` (outside). */
export type Interval = readonly [fromUs: number, toUs: number];

function refuse(code: LossyLinkErrorCode, field: string, value: unknown, allowed: string): never {
  const sentence = `${field} must be ${allowed}, but is ${describe(value)}.`;
  throw new LossyLinkError(code, sentence, { field, allowed });
}

function describe(value: unknown): string {
  if (value instanceof Uint8Array) return `a Uint8Array of ${value.length} bytes`;
  // Numbers not by JSON, which has no NaN.
  const asJson = typeof value === "string" || (typeof value === "object" && value !== null);
  return asJson ? JSON.stringify(value) : String(value);
}

export function checkProbability(field: string, value: unknown): void {
  if (typeof value !== "number" || !(value >= 0 && value <= 1)) {
    refuse("bad-probability", field, value, "a number from 0 to 1");
  }
}

export function checkNumber(field: string, value: unknown, min: number, max: number): void {
  if (typeof value !== "number" || !(value >= min && value <= max)) {
    refuse("bad-number", field, value, `a number from ${min} to ${max}`);
  }
}

export function checkInteger(field: string, value: unknown, min: number, max: number): void {
  if (!Number.isSafeInteger(value) || !((value as number) >= min && (value as number) <= max)) {
    refuse("bad-integer", field, value, `a whole number from ${min} to ${max}`);
  }
}

/** A duration or an instant: whole microseconds, not negative. */
export function checkUs(field: string, value: unknown): void {
  if (!Number.isSafeInteger(value) || (value as number) < 0) {
    refuse("bad-integer", field, value, "a whole number of microseconds, 0 or more");
  }
}

/** A list of intervals, in any order; they may overlap. */
export function checkIntervals(field: string, value: unknown): void {
  const allowed = "[fromUs, toUs] in whole microseconds with 0 <= fromUs < toUs";
  if (!Array.isArray(value)) refuse("bad-interval", field, value, `a list of ${allowed}`);
  for (const [index, interval] of value.entries()) {
    const pair: readonly unknown[] = Array.isArray(interval) ? interval : [];
    const [fromUs, toUs] = pair as number[];
    const whole = pair.length === 2 && pair.every((instant) => Number.isSafeInteger(instant));
    if (!whole || fromUs! < 0 || fromUs! >= toUs!) {
      refuse("bad-interval", `${field}[${index}]`, interval, allowed);
    }
  }
}

export function checkAddress(field: string, value: unknown): void {
  if (!(value instanceof Uint8Array) || value.length < 1 || value.length > 255) {
    refuse("bad-address", field, value, "a Uint8Array of 1 to 255 bytes");
  }
}

export function checkChoice(field: string, value: unknown, choices: readonly string[]): void {
  if (!choices.includes(value as string)) {
    const allowed = choices.map((choice) => `"${choice}"`).join(" or ");
    refuse("bad-choice", field, value, allowed);
  }
}

/** A plain object with no other fields than these: a misspelt option must not pass in silence. */
export function checkFields(field: string, value: unknown, names: readonly string[]): void {
  if (typeof value !== "object" || value === null) {
    refuse("bad-choice", field || "options", value, `an object with ${names.join(", ")}`);
  }
  for (const name of Object.keys(value)) {
    if (names.includes(name)) continue;
    const path = field === "" ? name : `${field}.${name}`;
    const allowed = `one of ${names.join(", ")}`;
    throw new LossyLinkError("unknown-option", `There is no option ${path}; use ${allowed}.`, {
      field: path,
      allowed,
    });
  }
}

/** `field.name`, or `name` alone at the top. */
export function within(field: string, name: string): string {
  return field === "" ? name : `${field}.${name}`;
}
