import type { Target } from "../../packages/board-c/test/support/build.js";
import type { BoardsMode } from "./board-plan.js";
import { FEATURE_NAMES, FEATURES, type Feature } from "./features.js";
import type { Scenario } from "./scenario.js";

/** The lists of a scenario from which single entries can be left out. */
export const LISTS = ["sends", "strokes", "intrusions"] as const;
type List = (typeof LISTS)[number];

/** What is left of a scenario, to see whether it fails all the same. */
export interface Cut extends Partial<Readonly<Record<List, readonly number[]>>> {
  /** Features that stay off. */
  readonly without?: ReadonlySet<Feature>;
}

/** The options of the command line that name a cut, with their values. */
export type CutWords = { readonly [Name in List | "without"]?: string | undefined };

export function cutScenario(scenario: Scenario, cut: Cut = {}): Scenario {
  const some = <T>(all: readonly T[], places: readonly number[] | undefined): readonly T[] => {
    if (!places) return all;
    const kept = new Set(places);
    return all.filter((_, place) => kept.has(place));
  };
  return {
    ...scenario,
    sends: some(scenario.sends, cut.sends),
    strokes: some(scenario.strokes, cut.strokes),
    intrusions: some(scenario.intrusions, cut.intrusions),
  };
}

/** Which stations are boards, what their code is built for, and whether there are keys. */
export interface VariantWords {
  readonly boards?: BoardsMode | undefined;
  readonly boardTarget?: Target | undefined;
  /** Sessions are protected. */
  readonly isProtected?: boolean | undefined;
}

/** The command that shows a run again. */
export function replayCommand(seed: number, cut?: Cut, variant: VariantWords = {}): string {
  const options = Object.entries(cutWords(cut)).map(([name, value]) => ` --${name} ${value}`);
  const { boards, boardTarget, isProtected } = variant;
  const target = boardTarget ? `--board-target ${boardTarget} ` : "";
  const mode = boards ? `--boards ${boards} ${target}` : "";
  const keys = isProtected ? "--protected " : "";
  return `npm run soak -- ${mode}${keys}--seed ${seed} --trace${options.join("")}`;
}

/** A cut as options of the command line. */
export function cutWords(cut: Cut = {}): CutWords {
  const words: { -readonly [Name in keyof CutWords]: CutWords[Name] } = {};
  if (cut.without?.size) words.without = [...cut.without].join(",");
  for (const list of LISTS) {
    const places = cut[list];
    if (places) words[list] = places.length > 0 ? ranges(places) : "none";
  }
  return words;
}

/**
 * What the command line says of a cut.
 * @throws Error - which option is wrong, and what it takes
 */
export function parseCut(words: CutWords): Cut {
  const without = (words.without ?? "").split(",").filter((name) => name !== "");
  const unknown = without.find((name) => !Object.hasOwn(FEATURES, name));
  if (unknown) throw new Error(`There is no feature ${unknown}. List them with --features.`);
  const cut: Partial<Record<List, readonly number[]>> = {};
  for (const list of LISTS) {
    const text = words[list];
    if (text !== undefined) cut[list] = parseRanges(text, list);
  }
  return { without: new Set(FEATURE_NAMES.filter((name) => without.includes(name))), ...cut };
}

/** `1-3,7` */
function ranges(places: readonly number[]): string {
  const parts: string[] = [];
  for (let at = 0; at < places.length; ) {
    const first = places[at] as number;
    let end = at + 1;
    while (places[end] === first + end - at) end++;
    parts.push(end - at > 1 ? `${first}-${places[end - 1]}` : String(first));
    at = end;
  }
  return parts.join(",");
}

function parseRanges(text: string, list: List): number[] {
  if (text === "none") return [];
  return text.split(",").flatMap((part) => {
    const match = /^(\d+)(?:-(\d+))?$/.exec(part);
    const first = Number(match?.[1]);
    const last = Number(match?.[2] ?? match?.[1]);
    if (!match || last < first || last - first > 100_000)
      throw new Error(`--${list} ${text}: give places such as 0-3,7, or none.`);
    return Array.from({ length: last - first + 1 }, (_, at) => first + at);
  });
}
