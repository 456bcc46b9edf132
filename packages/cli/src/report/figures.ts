import { bytesPerSecond, duration, percent } from "../format.js";
import type { CaseSummary, EntrySummary } from "../simulation/case-tally.js";
import { capacityBytesPerS } from "../simulation/channel.js";
import { type Figure, type Metric, metricFigure, type Sweep } from "./figure.js";
import { layoutOf } from "./layout.js";
import { messagesFigure } from "./messages-figure.js";
import { plain, shareWords, threeDigits, timeUnit } from "./numbers.js";
import { spreadFigure } from "./spread-figure.js";

/** Messages whose times are drawn. */
export const MESSAGES_DRAWN_MAX = 4;
const UNKNOWN = "–";

/** What is drawn, and what needs no drawing. */
export interface Drawn {
  readonly figures: readonly Figure[];
  /** Sentences instead of drawings that would be a flat line, and about what is left out. */
  readonly remarks: readonly string[];
}

/** All figures of a sweep. Pure. */
export function figuresOf(summaries: readonly CaseSummary[]): Drawn {
  const [first] = summaries;
  if (first === undefined) return { figures: [], remarks: [] };
  const messages = first.case.messages.map(({ name }) => name);
  const sweep: Sweep = { layout: layoutOf(summaries), messages };
  const drawn = messages.slice(0, MESSAGES_DRAWN_MAX);
  const spreads = drawn.flatMap((_, entry) => spreadFigure(summaries, entry, sweep) ?? []);
  const remarks = [...shareRemark(summaries), ...messageRemark(messages)];
  if (sweep.layout.along === undefined) {
    return { figures: [messagesFigure(first), ...spreads], remarks };
  }
  const figures = [
    ...drawn.flatMap((_, entry) => [
      timeFigure(summaries, entry, sweep),
      ...spreads.slice(entry, entry + 1),
    ]),
    ...shareFigures(summaries, drawn, sweep),
    ...efficiencyFigure(summaries, sweep),
    ...airtimeFigure(summaries, sweep),
  ];
  return { figures, remarks };
}

function messageRemark(messages: readonly string[]): string[] {
  if (messages.length <= MESSAGES_DRAWN_MAX) return [];
  return [
    `The times of the first ${MESSAGES_DRAWN_MAX} of ${messages.length} messages are drawn; the table of results has the rest.`,
  ];
}

function entryOf(summary: CaseSummary, entry: number): EntrySummary {
  return summary.messages[entry]!;
}

function timeFigure(summaries: readonly CaseSummary[], entry: number, sweep: Sweep): Figure {
  const longest = Math.max(0, ...summaries.map((one) => entryOf(one, entry).p95Us ?? 0));
  const unit = timeUnit(longest);
  const inUnit = (us: number | undefined) => (us === undefined ? undefined : us / unit.us);
  const cell = (pick: (one: EntrySummary) => number | undefined) => (summary: CaseSummary) => {
    const value = inUnit(pick(entryOf(summary, entry)));
    return value === undefined ? UNKNOWN : threeDigits(value);
  };
  const metric: Metric = {
    name: `Delivery time, ${unit.name}`,
    of: (summary) => {
      const { medianUs, p5Us, p95Us } = entryOf(summary, entry);
      if (medianUs === undefined) return undefined;
      return { y: medianUs / unit.us, low: inUnit(p5Us), high: inUnit(p95Us) };
    },
    words: (value) => duration(value * unit.us),
    columns: [
      [`P5 ${unit.name}`, cell(({ p5Us }) => p5Us)],
      [`median ${unit.name}`, cell(({ medianUs }) => medianUs)],
      [`P95 ${unit.name}`, cell(({ p95Us }) => p95Us)],
    ],
  };
  const about = {
    id: `time-${entry + 1}`,
    heading: `Delivery time of ${sweep.messages[entry]}`,
    caption:
      "Marks: the median. Whiskers: from the 5th to the 95th percentile. Only what was delivered counts.",
  };
  return metricFigure(about, metric, sweep);
}

/** Whether all that was sent was delivered, in words. */
function shareRemark(summaries: readonly CaseSummary[]): string[] {
  const isWhole = summaries.every(({ messages }) =>
    messages.every(({ sent, delivered }) => sent === delivered),
  );
  const where = summaries.length === 1 ? "" : ", in every combination";
  return isWhole ? [`Every message that was sent was delivered${where}.`] : [];
}

/** Of those messages of which not all were delivered. */
function shareFigures(
  summaries: readonly CaseSummary[],
  drawn: readonly string[],
  sweep: Sweep,
): Figure[] {
  return drawn.flatMap((name, entry) => {
    const isWhole = summaries.every((one) => {
      const { sent, delivered } = entryOf(one, entry);
      return sent === delivered;
    });
    if (isWhole) return [];
    const about = {
      id: `share-${entry + 1}`,
      heading: `Delivered share of ${name}`,
      caption:
        "Of all that was sent in all runs. What gave way to a newer value counts as not delivered, though it is no failure.",
    };
    return [metricFigure(about, shareMetric(entry), sweep)];
  });
}

function shareMetric(entry: number): Metric {
  const share = (summary: CaseSummary) => {
    const { sent, delivered } = entryOf(summary, entry);
    return shareWords(delivered, sent);
  };
  return {
    name: "Delivered, % of those sent",
    of: (summary) => {
      const { sent, delivered } = entryOf(summary, entry);
      return sent > 0 ? { y: (delivered / sent) * 100 } : undefined;
    },
    words: (value) => percent(value / 100),
    reach: 100,
    columns: [
      ["share", share],
      ["sent", (one) => plain(entryOf(one, entry).sent)],
      ["delivered", (one) => plain(entryOf(one, entry).delivered)],
      ["replaced", (one) => plain(entryOf(one, entry).replaced)],
      ["failed", (one) => plain(entryOf(one, entry).failed)],
    ],
  };
}

function efficiencyFigure(summaries: readonly CaseSummary[], sweep: Sweep): Figure[] {
  if (summaries.every(({ efficiency }) => efficiency === undefined)) return [];
  const about = {
    id: "efficiency",
    heading: "Efficiency against the channel’s limit",
    caption:
      "Goodput as a share of what the channel can carry with this loss: 1 is the limit, which no protocol with headers reaches. Where the messages do not fill the channel, it is low for that reason.",
  };
  const limit = ({ case: each }: CaseSummary) => capacityBytesPerS(each.link);
  const goodput = (summary: CaseSummary) => {
    const capacity = limit(summary);
    if (capacity === undefined || summary.efficiency === undefined) return UNKNOWN;
    return bytesPerSecond(capacity * summary.efficiency);
  };
  const metric: Metric = {
    name: "Efficiency, share of the limit",
    of: ({ efficiency }) => (efficiency === undefined ? undefined : { y: efficiency }),
    words: (value) => value.toFixed(3),
    reach: 1,
    level: { y: 1, label: "limit of the channel" },
    columns: [
      ["efficiency", ({ efficiency }) => efficiency?.toFixed(3) ?? UNKNOWN],
      ["goodput", goodput],
      ["limit", (summary) => bytesPerSecond(limit(summary) ?? 0)],
    ],
  };
  return [metricFigure(about, metric, sweep)];
}

function airtimeFigure(summaries: readonly CaseSummary[], sweep: Sweep): Figure[] {
  const longest = Math.max(0, ...summaries.map(({ airtimeUs }) => airtimeUs ?? 0));
  if (longest === 0) return [];
  const unit = timeUnit(longest);
  const about = {
    id: "airtime",
    heading: "Airtime of a run",
    caption: "How long the air was busy with datagrams of all stations, mean over the runs.",
  };
  const metric: Metric = {
    name: `Airtime of a run, ${unit.name}`,
    of: ({ airtimeUs }) => (airtimeUs === undefined ? undefined : { y: airtimeUs / unit.us }),
    words: (value) => duration(value * unit.us),
    columns: [
      [`airtime ${unit.name}`, (one) => threeDigits((one.airtimeUs ?? 0) / unit.us)],
      ["datagrams", (one) => one.datagramsPerMessage?.toFixed(1) ?? UNKNOWN],
    ],
  };
  return [metricFigure(about, metric, sweep)];
}
