import type { Row } from "../benchmark.js";
import type { Bar } from "./bars.js";
import { DELIVERY_TITLE } from "./delivery-plot.js";
import { EFFICIENCY_TITLE } from "./efficiency-plot.js";
import { SEQUENCE_TITLE } from "./sequence-plot.js";

/** How the rows of one benchmark are shown. */
export interface Presentation {
  /** A sentence or two before the table: what it is good for, and what it does not show. */
  readonly words?: string;
  /** Real time: absolute figures of one machine are left out, the machine is named. */
  readonly isTimed?: boolean;
  /** Rows that are not shown. */
  readonly without?: (row: Row) => boolean;
  /** Columns that are not shown. */
  readonly hidden?: readonly string[];
  /** A table for each value of this column. */
  readonly tableFor?: string;
  /** Shown above the tables, as a file of the folder `plots`. */
  readonly plot?: { readonly file: string; readonly alt: string };
  /** Rows are points of the plot: no table. */
  readonly isPlotOnly?: boolean;
  readonly bars?: readonly Bar[];
  /** What to type, if it is not `npm run bench`. */
  readonly command?: string;
}

const isPty = ({ line }: Row) => String(line).startsWith("pty");
const isOverMemory = ({ line }: Row) => line === "memory";

/** In the order of the page; benchmarks that are not named here follow, shown plainly. */
export const PRESENTATIONS: Readonly<Record<string, Presentation>> = {
  efficiency: {
    words:
      "The project's main figure: how much of what the channel lets through becomes message bytes, opening, headers, acks and repeats included.",
    plot: { file: "efficiency.svg", alt: EFFICIENCY_TITLE },
    bars: [{ column: "efficiency", sense: "at-least" }],
  },
  "by-hand": {
    words:
      "Simple but sound programs that many would write for this job, over the same simulated channel. The plot of efficiency shows them too.",
    tableFor: "bytes",
  },
  "kernel-tcp": {
    words:
      "The same channel in real time between two network stacks of one machine. The air sets the pace, so efficiency does not depend on the processor, as long as the relay is not late.",
    tableFor: "bytes",
  },
  urgent: { bars: [{ column: "datagramsInFrontMax", sense: "at-most" }] },
  "first-contact": { bars: [{ column: "attemptsToDeliveryP99", sense: "at-most" }] },
  deliveries: {
    words: "The table has three points of each curve.",
    plot: { file: "delivery.svg", alt: DELIVERY_TITLE },
    without: ({ share }) => ![0.5, 0.9, 0.98].includes(Number(share)),
  },
  sequence: {
    words:
      "One run of the simulation, to be looked at. A window of 64 fragments goes out without waiting; the ack that answers its end names every gap at once.",
    plot: { file: "sequence.svg", alt: SEQUENCE_TITLE },
    isPlotOnly: true,
  },
  handbook: {
    words:
      "Formulas beside measurements. Where a formula is far off, the column note says what it leaves out.",
    tableFor: "part",
  },
  serial: {
    words:
      "In virtual time. What went over pseudo-terminals took real time and has no rate to compare with: it is left out. `share` is judged like `payload`: it is what an application gets.",
    without: isPty,
    bars: [
      { column: "payload", sense: "at-least", where: isOverMemory },
      { column: "share", sense: "at-least", where: isOverMemory },
    ],
  },
  peers: {
    words: "Ratios to the cost with one peer; flat is 1.",
    isTimed: true,
    hidden: ["usPerDatagram", "aloneUsPerDatagram"],
  },
  speed: {
    words:
      "`timesBar` is the number of datagrams a second ÷ the bar of 100,000; `ratio` compares with a loop that only copies and takes checksums.",
    isTimed: true,
    hidden: ["datagramsPerS", "copyAndCrcPerS", "bar"],
    bars: [{ column: "timesBar", sense: "at-least", against: "least" }],
  },
  hostile: {
    words:
      "What one attacker in range can bring about, attack by attack. That the limits hold and good messages arrive is checked by the tests in `test/hostile`.",
    isTimed: true,
    bars: [{ column: "amplification", sense: "at-most", against: "most" }],
  },
  codecs: {
    isTimed: true,
    hidden: ["oursMbPerS", "theirsMbPerS", "reusedMbPerS"],
    tableFor: "codec",
    bars: [{ column: "ratio", sense: "above" }],
  },
  size: { bars: [{ column: "gzippedBytes", sense: "at-most" }] },
};

/** Rows as they are shown and judged: with columns that are computed from others. */
export function prepared(bench: string, rows: readonly Row[]): Row[] {
  if (bench === "hostile") return rows.map((row) => ({ ...row, most: 1 }));
  if (bench !== "speed") return [...rows];
  return rows.map((row) => ({
    ...row,
    timesBar: Math.round((Number(row.datagramsPerS) / Number(row.bar)) * 100) / 100,
    least: 1,
  }));
}
