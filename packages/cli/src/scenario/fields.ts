import { z } from "zod";
import { printable } from "../output.js";
import { LIST_MAX } from "./limits.js";
import { nearestName } from "./nearest.js";

/** A value as it stands in the file, short enough for a sentence. */
function shown(value: unknown): string {
  // JSON has no infinity, though a number in a file can be too large for anything else.
  const text = typeof value === "number" ? String(value) : JSON.stringify(value);
  return text.length > 40 ? `${text.slice(0, 39)}…` : text;
}

export function demand(allowed: string): (issue: { input?: unknown }) => string {
  return ({ input }) =>
    input === undefined
      ? `It is missing: ${allowed} is needed.`
      : `It must be ${allowed}, but is ${shown(input)}.`;
}

/** A number, both limits included. */
export function numberField(min: number, max: number) {
  return z.custom<number>((value) => typeof value === "number" && value >= min && value <= max, {
    error: demand(`a number from ${min} to ${max}`),
  });
}

/** A whole number, both limits included. */
export function wholeField(min: number, max: number) {
  return z.custom<number>(
    (value) => Number.isInteger(value) && Number(value) >= min && Number(value) <= max,
    { error: demand(`a whole number from ${min} to ${max}`) },
  );
}

/** One of these words. */
export function choiceField<const T extends string>(words: readonly T[]) {
  const list = `${words.slice(0, -1).join(", ")} or ${words.at(-1)}`;
  return z.custom<T>((value) => words.some((word) => word === value), {
    error: ({ input }) => {
      const meant = typeof input === "string" ? nearestName(input, words) : undefined;
      const sentence = demand(list)({ input });
      return meant === undefined ? sentence : `${sentence} Did you mean ${meant}?`;
    },
  });
}

/** Text of one line, to be printed as it is. */
export function lineField(charactersMax: number) {
  return z.custom<string>(
    (value) =>
      typeof value === "string" && value.length <= charactersMax && printable(value) === value,
    { error: demand(`text of at most ${charactersMax} characters, without control characters`) },
  );
}

/** A value, or a list of values, each of which is tried: always a list once it is read. */
export function swept<T>(field: z.ZodType<T>) {
  const list = z
    .array(field, { error: demand("a value or a list of values") })
    .min(1, { error: "The list is empty: name at least one value." })
    .max(LIST_MAX, { error: `The list holds more than ${LIST_MAX} values.` })
    .refine((values) => new Set(values).size === values.length, {
      error: "A value is in the list twice.",
    });
  return z.preprocess(
    (value) => (value === undefined || Array.isArray(value) ? value : [value]),
    list,
  );
}
