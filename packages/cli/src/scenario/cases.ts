import { presets } from "@fardel/lossy-link";
import type { MessageFields, PresetName, ScenarioFields } from "./schema.js";

/** One of `messages`, with one value for each field. */
export interface CaseMessage extends Omit<MessageFields, "name" | "bytes"> {
  readonly name: string;
  readonly bytes: number;
}

/** The link of one combination. Probabilities 0 to 1. */
export interface CaseLink {
  readonly preset: PresetName;
  readonly mtuBytes: number;
  readonly loss: number;
  /** Mean number of losses in a row, datagrams; 1: independent. */
  readonly burst: number;
  /** Mean length of a time in which everything is lost, microseconds; 0: independent. */
  readonly burstUs: number;
  readonly duplicate: number;
  readonly reorder: number;
  readonly corrupt: number;
  readonly delayUs: number;
  readonly jitterUs: number;
  readonly outagesUs: readonly (readonly [from: number, to: number])[];
}

/** One combination of the swept fields. */
export interface Case {
  /** From 1, in the order in which the combinations are run. */
  readonly number: number;
  /** The fields that are swept, in the order of the file, each with its value here. */
  readonly swept: readonly { readonly field: string; readonly value: string | number }[];
  readonly link: CaseLink;
  readonly window: number;
  readonly boards: number;
  readonly messages: readonly CaseMessage[];
}

type Value = string | number;
/** A swept field: its name in the file, its values, and its short name in tables. */
interface Axis {
  readonly path: string;
  readonly field: string;
  readonly values: readonly Value[];
}

/** Every field that takes a list. */
function axesOf({ link, window, boards, messages }: ScenarioFields): Axis[] {
  const axis = (path: string, field: string, values: readonly Value[] | undefined): Axis[] =>
    values === undefined ? [] : [{ path, field, values }];
  return [
    ...axis("link.preset", "preset", link.preset),
    ...axis("link.mtuBytes", "mtuBytes", link.mtuBytes),
    ...axis("link.loss", "loss", link.loss),
    ...axis("link.burst", "burst", link.burst),
    ...axis("link.burstMs", "burstMs", link.burstMs),
    ...axis("link.duplicate", "duplicate", link.duplicate),
    ...axis("link.reorder", "reorder", link.reorder),
    ...axis("link.corrupt", "corrupt", link.corrupt),
    ...axis("link.delayMs", "delayMs", link.delayMs),
    ...axis("link.jitterMs", "jitterMs", link.jitterMs),
    ...axis("window", "window", window),
    ...axis("boards", "boards", boards),
    ...messages.flatMap(({ bytes }, index) => {
      const field = messages.length === 1 ? "bytes" : `bytes[${index}]`;
      return axis(`messages[${index}].bytes`, field, bytes);
    }),
  ];
}

/** How many combinations there are. */
export function countCases(fields: ScenarioFields): number {
  return axesOf(fields).reduce((product, { values }) => product * values.length, 1);
}

/** All combinations; the field that comes last in the file changes fastest. */
export function casesOf(fields: ScenarioFields): Case[] {
  const axes = axesOf(fields);
  const count = countCases(fields);
  return Array.from({ length: count }, (_, index) => caseAt(fields, axes, index));
}

function caseAt(fields: ScenarioFields, axes: readonly Axis[], index: number): Case {
  const chosen = new Map<string, Value>();
  let rest = index;
  for (const { path, values } of [...axes].reverse()) {
    chosen.set(path, values[rest % values.length]!);
    rest = Math.floor(rest / values.length);
  }
  const number = (path: string, fallback: number) => {
    const value = chosen.get(path);
    return typeof value === "number" ? value : fallback;
  };
  const preset = fields.link.preset.find((name) => name === chosen.get("link.preset"))!;
  const defaults = presets[preset]();
  return {
    number: index + 1,
    swept: axes
      .filter(({ values }) => values.length > 1)
      .map(({ path, field }) => ({ field, value: chosen.get(path)! })),
    link: {
      preset,
      mtuBytes: number("link.mtuBytes", defaults.mtuBytes),
      loss: number("link.loss", 0),
      burst: number("link.burst", 1),
      burstUs: Math.round(number("link.burstMs", 0) * 1000),
      duplicate: number("link.duplicate", 0),
      reorder: number("link.reorder", 0),
      corrupt: number("link.corrupt", 0),
      delayUs: Math.round(number("link.delayMs", (defaults.delayUs ?? 0) / 1000) * 1000),
      jitterUs: Math.round(number("link.jitterMs", 0) * 1000),
      outagesUs: fields.link.outages.map(([from, to]) => [microseconds(from), microseconds(to)]),
    },
    window: number("window", 64),
    boards: number("boards", 1),
    messages: fields.messages.map(({ name, bytes: _, ...message }, entry) => {
      const bytes = number(`messages[${entry}].bytes`, 0);
      return { ...message, bytes, name: name ?? nameOf(fields, entry) };
    }),
  };
}

function nameOf({ messages }: ScenarioFields, entry: number): string {
  const { from, priority, bytes } = messages[entry]!;
  const size = bytes.length === 1 ? ` ${bytes[0]} bytes` : "";
  return `${entry + 1}: ${from}${size} ${priority}`;
}

/** The file has seconds, the clock has microseconds. */
export function microseconds(seconds: number): number {
  return Math.round(seconds * 1e6);
}

/** When the last message of a run has met its deadline, microseconds. */
export function lastDeadlineUs({ messages }: Case): number {
  return Math.max(
    ...messages.map(({ atS, spreadS, everyS, count, deadlineS }) =>
      microseconds(atS + spreadS + everyS * (count - 1) + deadlineS),
    ),
  );
}

/** After its last deadline a run is given a minute; whatever is still under way then hangs. */
const GRACE_US = 60_000_000;

/** When a run is cut, microseconds of virtual time. */
export function cutUs(each: Case): number {
  return lastDeadlineUs(each) + GRACE_US;
}
