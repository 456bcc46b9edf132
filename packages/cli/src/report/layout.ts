import type { CaseSummary } from "../simulation/case-tally.js";
import { LINES_MAX } from "./palette.js";

/** Which swept field runs along a drawing, which one makes its lines, and which ones its panels. */

export type Value = string | number;

/** A swept field with the values that are drawn. */
export interface Field {
  readonly name: string;
  readonly values: readonly Value[];
  /** How many there are, drawn or not. */
  readonly valuesInAll: number;
}

/** The combinations of one panel: those that have these values. */
export interface Part {
  readonly fixed: readonly { readonly field: string; readonly value: Value }[];
  /** For each line a combination at each place; `undefined`: it was not run. */
  readonly lines: readonly (readonly (CaseSummary | undefined)[])[];
}

/** How the combinations of a sweep are spread over drawings. */
export interface Layout {
  /** `undefined`: there is one combination only. */
  readonly along: Field | undefined;
  /** `undefined`: each panel has one line. */
  readonly byLine: Field | undefined;
  readonly parts: readonly Part[];
  /** How many parts there are, drawn or not. */
  readonly partsInAll: number;
}

/** Panels of one figure. */
export const PARTS_MAX = 6;

/** Spreads the combinations that were run. */
export function layoutOf(summaries: readonly CaseSummary[]): Layout {
  const fields = sweptFields(summaries);
  const along = longest(fields.filter(isOfNumbers)) ?? longest(fields);
  const others = fields.filter((field) => field !== along);
  const byLine =
    longest(others.filter(({ values }) => values.length <= LINES_MAX)) ?? shortest(others);
  const rest = others.filter((field) => field !== byLine);
  const drawnLine = byLine && { ...byLine, values: someOf(byLine.values, LINES_MAX) };
  const all = combinations(rest);
  const parts = all.slice(0, PARTS_MAX).map((fixed) => partOf(summaries, fixed, along, drawnLine));
  return { along, byLine: drawnLine, parts, partsInAll: all.length };
}

/** At most so many, evenly spread, both ends included. */
export function someOf<T>(all: readonly T[], most: number): T[] {
  if (all.length <= most) return [...all];
  return Array.from(
    { length: most },
    (_, i) => all[Math.round((i * (all.length - 1)) / (most - 1))]!,
  );
}

/** The value of a field in one combination. */
export function valueIn({ case: each }: CaseSummary, name: string): Value | undefined {
  return each.swept.find(({ field }) => field === name)?.value;
}

/** Those that have more than one value among what was run; numbers in their order. */
function sweptFields(summaries: readonly CaseSummary[]): Field[] {
  const names = summaries[0]?.case.swept.map(({ field }) => field) ?? [];
  return names.flatMap((name) => {
    const found = summaries.flatMap((summary) => valueIn(summary, name) ?? []);
    const values = [...new Set(found)];
    if (values.every((value) => typeof value === "number"))
      values.sort((a, b) => Number(a) - Number(b));
    return values.length > 1 ? [{ name, values, valuesInAll: values.length }] : [];
  });
}

function isOfNumbers({ values }: Field): boolean {
  return values.every((value) => typeof value === "number");
}

/** The first one of those with the most values. */
function longest(fields: readonly Field[]): Field | undefined {
  const most = Math.max(0, ...fields.map(({ values }) => values.length));
  return fields.find(({ values }) => values.length === most);
}

function shortest(fields: readonly Field[]): Field | undefined {
  const least = Math.min(...fields.map(({ values }) => values.length));
  return fields.find(({ values }) => values.length === least);
}

type Fixed = Part["fixed"];

function combinations(fields: readonly Field[]): Fixed[] {
  return fields.reduce<Fixed[]>(
    (all, { name, values }) =>
      all.flatMap((fixed) => values.map((value) => [...fixed, { field: name, value }])),
    [[]],
  );
}

function partOf(
  summaries: readonly CaseSummary[],
  fixed: Fixed,
  along: Field | undefined,
  byLine: Field | undefined,
): Part {
  const inPart = summaries.filter((summary) =>
    fixed.every(({ field, value }) => valueIn(summary, field) === value),
  );
  const rows = byLine
    ? byLine.values.map((value) => inPart.filter((one) => valueIn(one, byLine.name) === value))
    : [inPart];
  if (along === undefined) return { fixed, lines: rows };
  const atPlaces = (row: readonly CaseSummary[]) =>
    along.values.map((value) => row.find((one) => valueIn(one, along.name) === value));
  return { fixed, lines: rows.map(atPlaces) };
}
