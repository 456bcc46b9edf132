import { duration, percent } from "../format.js";
import type { CaseSummary, EntrySummary } from "../simulation/case-tally.js";
import { settingWords } from "./field-words.js";
import { type Figure, numberAxis, partWords, type Sweep, tableOf } from "./figure.js";
import { PARTS_MAX, someOf } from "./layout.js";
import { plain, shareWords, threeDigits, timeUnit } from "./numbers.js";
import { LINES_MAX } from "./palette.js";
import type { Axis, Line, Panel } from "./panel.js";

/** Columns of the table: hundredths of the deliveries, and their titles. */
const COLUMNS = [
  [0, "first"],
  [25, "P25"],
  [50, "median"],
  [75, "P75"],
  [90, "P90"],
  [99, "P99"],
  [100, "last"],
] as const;

/** A panel of curves before it is drawn. */
interface Group {
  readonly heading: string;
  readonly curves: readonly { readonly summary: CaseSummary; readonly style: number }[];
}

/**
 * How the delivery times of a message are spread: the share of what was sent that had arrived after
 * so much time. @returns `undefined` if nothing was delivered
 */
export function spreadFigure(
  summaries: readonly CaseSummary[],
  entry: number,
  sweep: Sweep,
): Figure | undefined {
  const entryOf = ({ messages }: CaseSummary) => messages[entry]!;
  const longest = Math.max(0, ...summaries.map((one) => entryOf(one).percentilesUs.at(-1) ?? 0));
  if (longest === 0) return undefined;
  const { layout, messages } = sweep;
  const places = someOf(layout.along?.values.map((_, place) => place) ?? [0], LINES_MAX);
  const groups = groupsOf(sweep, places).slice(0, PARTS_MAX);
  const unit = timeUnit(longest);
  const drawn = groups.flatMap(({ curves }) => curves.map(({ summary }) => summary));
  const x = numberAxis(
    `Time since sending, ${unit.name}`,
    drawn.flatMap((one) => ends(entryOf(one)).map((us) => us / unit.us)),
  );
  const panels = groups.map((group) => panelOf(group, entryOf, x, unit.us, sweep, places));
  const key = (layout.along ? places : []).map((place, style) => ({
    style,
    label: settingWords(layout.along!.name, layout.along!.values[place]!, messages),
  }));
  const columns = COLUMNS.map(([hundredth, title]) => {
    const cell = (one: CaseSummary) => {
      const us = entryOf(one).percentilesUs[hundredth];
      return us === undefined ? "–" : threeDigits(us / unit.us);
    };
    return [`${title} ${unit.name}`, cell] as const;
  });
  const share = (one: CaseSummary) => shareWords(entryOf(one).delivered, entryOf(one).sent);
  const heading = `How the delivery times of ${messages[entry]} are spread`;
  return {
    id: `spread-${entry + 1}`,
    heading,
    caption:
      "The share of all that was sent that had arrived after so much time; the mark stands at the median. A curve that ends below 100\u00a0% leaves out what was not delivered.",
    key,
    panels,
    omissions: omitted(groups.length, places.length, sweep),
    table: tableOf(heading, drawn, [["share", share], ...columns], sweep),
  };
}

/** The lines of other figures become panels here: the curves are those along the swept field. */
function groupsOf({ layout, messages }: Sweep, places: readonly number[]): Group[] {
  return layout.parts.flatMap((part) =>
    part.lines.map((row, index) => {
      const value = layout.byLine?.values[index];
      const line = value === undefined ? [] : [{ field: layout.byLine!.name, value }];
      const curves = places.flatMap((place, style) =>
        row[place] ? [{ summary: row[place], style }] : [],
      );
      return { heading: partWords({ fixed: [...part.fixed, ...line] }, messages), curves };
    }),
  );
}

function omitted(panels: number, curves: number, { layout }: Sweep): string[] {
  const { along, byLine, partsInAll } = layout;
  const omissions: string[] = [];
  const panelsInAll = partsInAll * (byLine?.valuesInAll ?? 1);
  if (panels < panelsInAll) {
    omissions.push(
      `Only ${panels} of ${panelsInAll} panels are drawn; the table of results has the rest.`,
    );
  }
  if (along && curves < along.values.length) {
    omissions.push(
      `Curves are drawn for ${curves} of ${along.values.length} values of ${along.name}; the table of results has the rest.`,
    );
  }
  return omissions;
}

function ends({ percentilesUs }: EntrySummary): number[] {
  return percentilesUs.length > 0 ? [percentilesUs[0]!, percentilesUs.at(-1)!] : [];
}

function panelOf(
  { heading, curves }: Group,
  entryOf: (summary: CaseSummary) => EntrySummary,
  x: Axis,
  unitUs: number,
  { layout, messages }: Sweep,
  places: readonly number[],
): Panel {
  const sentences = curves.map(({ summary, style }) => {
    const { percentilesUs, sent, delivered } = entryOf(summary);
    const value = layout.along?.values[places[style]!];
    const who = value === undefined ? "" : `${settingWords(layout.along!.name, value, messages)}: `;
    if (percentilesUs.length === 0) return `${who}nothing was delivered.`;
    const [from, half, to] = [0, 50, 100].map((hundredth) => duration(percentilesUs[hundredth]!));
    return `${who}from ${from} to ${to}, half of them within ${half}; ${percent(delivered / sent)} delivered.`;
  });
  return {
    heading,
    words: `Share delivered against time${heading === "" ? "" : `, ${heading}`}. ${sentences.join(" ")}`,
    x,
    y: {
      name: "Delivered, % of those sent",
      scale: "even",
      min: 0,
      max: 100,
      step: 25,
      label: plain,
    },
    lines: curves.map(({ summary, style }) => curveOf(entryOf(summary), style, x.max, unitUs)),
  };
}

/** Height k at the time of the k-th hundredth, up to the end of the axis. */
function curveOf(
  { percentilesUs, sent, delivered }: EntrySummary,
  style: number,
  end: number,
  unitUs: number,
): Line {
  const share = sent > 0 ? delivered / sent : 0;
  const points = percentilesUs.map((us, hundredth) => {
    return { x: us / unitUs, y: hundredth * share, isMarked: hundredth === 50 };
  });
  // Of steps at the same instant only the last one is seen, but for the start and the mark.
  const seen = points.filter(({ x, isMarked }, i) => i === 0 || isMarked || points[i + 1]?.x !== x);
  if (seen.length > 0) seen.push({ x: end, y: 100 * share, isMarked: false });
  return { style, form: "stairs", points: seen };
}
