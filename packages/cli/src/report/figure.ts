import type { CaseSummary } from "../simulation/case-tally.js";
import { fieldWords, settingWords } from "./field-words.js";
import { type Field, type Layout, type Part, valueIn } from "./layout.js";
import { shown } from "./markup.js";
import { evenScale, LOG_FROM, logScale, plain } from "./numbers.js";
import type { Axis, Line, Panel } from "./panel.js";

/** Drawings that belong together, with what is said around them. Plain data. */
export interface Figure {
  /** Unique in the page: letters, digits and hyphens. */
  readonly id: string;
  readonly heading: string;
  /** What is drawn. */
  readonly caption: string;
  /** What the styles of lines stand for; empty where there is one only. */
  readonly key: readonly { readonly style: number; readonly label: string }[];
  readonly panels: readonly Panel[];
  /** What is left out of the drawings. */
  readonly omissions: readonly string[];
  readonly table: DataTable;
}

/** What is drawn, as figures. */
export interface DataTable {
  readonly caption: string;
  /** Columns; those of figures stand to the right. */
  readonly head: readonly { readonly title: string; readonly isFigure: boolean }[];
  readonly rows: readonly (readonly string[])[];
}

/** A figure of each combination. */
export interface Metric {
  /** With its unit; the axis has it too. */
  readonly name: string;
  /** Numbers at the scale of the axis; `undefined`: none. */
  readonly of: (summary: CaseSummary) => Measured | undefined;
  /** `55.1 ms` */
  readonly words: (value: number) => string;
  readonly columns: readonly (readonly [title: string, cell: (summary: CaseSummary) => string])[];
  /** The least that the axis reaches to. */
  readonly reach?: number;
  readonly level?: Panel["level"];
}

export interface Measured {
  readonly y: number;
  readonly low?: number | undefined;
  readonly high?: number | undefined;
}

/** What figures of a sweep have in common. */
export interface Sweep {
  readonly layout: Layout;
  readonly messages: readonly string[];
}

/** A drawing for each part of the layout: the metric along one field, a line for each value of another. */
export function metricFigure(
  about: Pick<Figure, "id" | "heading" | "caption">,
  metric: Metric,
  { layout, messages }: Sweep,
): Figure {
  const { along, byLine, parts } = layout;
  const drawn = parts.flatMap(({ lines }) =>
    lines.flatMap((row) => row.flatMap((one) => one ?? [])),
  );
  const y = axisFor(
    metric,
    drawn.flatMap((summary) => metric.of(summary) ?? []),
  );
  const x = placesAxis(along, messages);
  const panels = parts.map((part): Panel => {
    return {
      heading: partWords(part, messages),
      words: panelWords(part, metric, { layout, messages }),
      x,
      y,
      lines: part.lines.map((row, style) => lineOf(row, style, metric)),
      ...(metric.level && { level: metric.level }),
    };
  });
  const key = (byLine?.values ?? []).map((value, style) => {
    return { style, label: settingWords(byLine!.name, value, messages) };
  });
  const table = tableOf(about.heading, drawn, metric.columns, { layout, messages });
  return { ...about, key, panels, omissions: omissionsOf(layout), table };
}

function lineOf(row: Part["lines"][number], style: number, metric: Metric): Line {
  const points = row.map((summary, x) => {
    const measured = summary && metric.of(summary);
    return { x, y: measured?.y, low: measured?.low, high: measured?.high, isMarked: true };
  });
  return { style, form: "straight", points };
}

function placesAxis(along: Field | undefined, messages: readonly string[]): Axis {
  const values = along?.values ?? [];
  return {
    name: along ? shown(fieldWords(along.name, messages)) : "",
    scale: "places",
    min: -0.5,
    max: Math.max(1, values.length) - 0.5,
    label: (place) => shown(String(values[place] ?? "")),
  };
}

function axisFor({ name, reach = 0 }: Metric, measured: readonly Measured[]): Axis {
  const all = measured.flatMap(({ y, low = y, high = y }) => [y, low, high]);
  return numberAxis(name, all, reach);
}

/** From 0, or by powers of ten where small numbers would vanish beside large ones. */
export function numberAxis(name: string, values: readonly number[], reach = 0): Axis {
  const most = Math.max(reach, ...values);
  const least = Math.min(...values);
  if (least > 0 && most / least >= LOG_FROM) {
    return { name: `${name}, logarithmic`, scale: "log", ...logScale(least, most), label: plain };
  }
  return { name, scale: "even", min: 0, ...evenScale(most), label: plain };
}

/** `loss 0.2, window 8`; empty if there is only one part. */
export function partWords({ fixed }: Pick<Part, "fixed">, messages: readonly string[]): string {
  return fixed.map(({ field, value }) => settingWords(field, value, messages)).join(", ");
}

/** From the first place to the last, for each line. */
function panelWords(part: Part, metric: Metric, { layout, messages }: Sweep): string {
  const { along, byLine } = layout;
  const sentences = part.lines.map((row, index) => {
    const ends = [0, row.length - 1].flatMap((place) => {
      const measured = row[place] && metric.of(row[place]);
      const value = along?.values[place];
      if (measured === undefined || value === undefined) return [];
      return [`${metric.words(measured.y)} at ${settingWords(along!.name, value, messages)}`];
    });
    const value = byLine?.values[index];
    const who = value === undefined ? "" : `${settingWords(byLine!.name, value, messages)}: `;
    return `${who}${ends.length > 0 ? ends.join(", ") : "nothing was measured"}.`;
  });
  const where = partWords(part, messages);
  return `${metric.name}${where === "" ? "" : `, ${where}`}. ${sentences.join(" ")}`;
}

function omissionsOf({ byLine, parts, partsInAll }: Layout): string[] {
  const omissions: string[] = [];
  if (parts.length < partsInAll) {
    omissions.push(
      `Only ${parts.length} of ${partsInAll} panels are drawn; the table of results has the rest.`,
    );
  }
  if (byLine && byLine.values.length < byLine.valuesInAll) {
    omissions.push(
      `Lines are drawn for ${byLine.values.length} of ${byLine.valuesInAll} values of ${byLine.name}; the table of results has the rest.`,
    );
  }
  return omissions;
}

/** A row for each combination, with its settings. */
export function tableOf(
  caption: string,
  summaries: readonly CaseSummary[],
  columns: Metric["columns"],
  { layout }: Sweep,
): DataTable {
  const { along, byLine, parts } = layout;
  const fields = [...(parts[0]?.fixed ?? []).map(({ field }) => field), byLine?.name, along?.name];
  const named = fields.flatMap((field) => field ?? []);
  return {
    caption,
    head: [
      { title: "case", isFigure: true },
      ...named.map((field) => ({ title: field, isFigure: true })),
      ...columns.map(([title]) => ({ title, isFigure: true })),
    ],
    rows: summaries.map((summary) => [
      String(summary.case.number),
      ...named.map((field) => String(valueIn(summary, field) ?? "")),
      ...columns.map(([, cell]) => cell(summary)),
    ]),
  };
}
