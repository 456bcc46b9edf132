import type { BenchOptions, Row } from "../benchmark.js";

/** Rows of one benchmark, and how they came about. */
export interface Results {
  readonly bench: string;
  /** What to type to measure them again. */
  readonly command: string;
  /** Where they were measured, in general words; see {@link describeMachine}. */
  readonly machine: string;
  readonly rows: readonly Row[];
}

/** The first line says how the rows came about, each other line is a row. */
export function formatResults({ bench, command, machine, rows }: Results): string {
  return [{ bench, command, machine }, ...rows].map((line) => `${JSON.stringify(line)}\n`).join("");
}

/**
 * Reads what {@link formatResults} wrote, or the output of `npm run --silent bench -- NAME --json`, which has
 * no first line of that kind: `command` and `machine` are then taken from `fallback`.
 * @throws Error - which line is wrong, and how
 */
export function parseResults(text: string, fallback: Omit<Results, "rows">): Results {
  const { bench } = fallback;
  const lines = text
    .split("\n")
    .filter((line) => line.trim() !== "")
    .map((line, i) => parseLine(line, bench, i + 1));
  const [first, ...others] = lines;
  if (first === undefined) throw new Error(`${bench}: no lines. Measure it again.`);
  const { command, machine } = first;
  if (typeof command === "string" && typeof machine === "string") {
    return { bench, command, machine, rows: others };
  }
  return { ...fallback, rows: lines };
}

function parseLine(line: string, bench: string, number: number): Row {
  let value: unknown;
  try {
    value = JSON.parse(line);
  } catch {
    throw new Error(`${bench}, line ${number}: not JSON. Measure it again.`);
  }
  if (!isRow(value) || value.bench !== bench) {
    throw new Error(
      `${bench}, line ${number}: not a row of this benchmark: it needs "bench": "${bench}", and text or numbers in all fields.`,
    );
  }
  return value;
}

function isRow(value: unknown): value is Row {
  if (typeof value !== "object" || value === null || Array.isArray(value)) return false;
  const fields = Object.values(value);
  return fields.every((field) => typeof field === "string" || typeof field === "number");
}

/** What to type for the same figures. Defaults are not spelled out. */
export function commandFor(bench: string, { seeds, scale }: BenchOptions): string {
  const options = [
    ...(seeds === DEFAULTS.seeds ? [] : [`--seeds ${seeds}`]),
    ...(scale === DEFAULTS.scale ? [] : [`--scale ${scale}`]),
  ];
  return [`npm run bench -- ${bench}`, ...options].join(" ");
}

export const DEFAULTS: BenchOptions = { seeds: 100, scale: 1 };
