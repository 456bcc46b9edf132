import type { Row } from "../benchmark.js";
import {
  axisOf,
  BLUES,
  BOUND,
  drawSvg,
  GROUND,
  INK,
  MOSS,
  OCHRE,
  PLUM,
  QUIET_INK,
  RUST,
  TEAL,
  titleOf,
} from "./look.js";

export const EFFICIENCY_TITLE =
  "Efficiency against loss for messages of 128 KiB and 16 KiB: Fardel, and what else was measured";

const SIZE = { width: 1040, height: 520 };
const PLOT = { left: 70, width: 290, top: 122, bottom: 62, step: 515 };
/** Between two names, pixels: a little more than a line of text. */
const NAME_GAP = 17;

/** One line of the plot: efficiency against loss. */
export interface Curve {
  readonly label: string;
  readonly color: string;
  readonly dash: "solid" | "dashed" | "dotted";
  readonly symbol: string;
  readonly points: readonly (readonly [loss: number, efficiency: number])[];
}

interface Panel {
  readonly bytes: number;
  readonly title: string;
}

const PANELS: readonly Panel[] = [
  { bytes: 131_072, title: "Message of 128 KiB" },
  { bytes: 16_384, title: "Message of 16 KiB" },
];

/** Who is drawn like what, by the beginning of the name; the first that fits. */
const STYLES: readonly (readonly [start: string, style: Omit<Curve, "label" | "points">])[] = [
  ["Fardel, window 64", { color: BLUES[0], dash: "solid", symbol: "circle" }],
  ["Fardel, window 8", { color: BLUES[1], dash: "solid", symbol: "diamond" }],
  ["fardel over UDP", { color: TEAL, dash: "dashed", symbol: "emptyCircle" }],
  ["stop-and-wait, 2 ", { color: RUST, dash: "dashed", symbol: "triangle" }],
  ["stop-and-wait", { color: RUST, dash: "dotted", symbol: "emptyTriangle" }],
  ["three times", { color: OCHRE, dash: "dashed", symbol: "rect" }],
  ["TCP bbr", { color: MOSS, dash: "dashed", symbol: "emptyDiamond" }],
  ["", { color: PLUM, dash: "dashed", symbol: "roundRect" }],
];

/**
 * The curves of one message size, from the rows of three benchmarks, whichever are there. What the same protocol
 * does in two benchmarks is drawn once.
 */
export function curvesFor(
  bytes: number,
  efficiency: readonly Row[],
  byHand: readonly Row[],
  kernelTcp: readonly Row[],
): Curve[] {
  const named = [
    ...efficiency.map((row) => ({ row, label: `Fardel, window ${row.window}` })),
    ...byHand.filter((row) => row.protocol !== "fardel").map(withProtocol),
    ...kernelTcp.filter(isRival).map(withProtocol),
  ].filter(({ row }) => row.bytes === bytes);
  return [...new Set(named.map(({ label }) => label))].map((label) => {
    const points = named
      .filter((one) => one.label === label)
      .map(({ row }) => [Number(row.loss), Number(row.efficiency)] as const);
    return { label, ...styleOf(label), points };
  });
}

function withProtocol(row: Row) {
  return { row, label: String(row.protocol).replace(/^fardel/, "Fardel") };
}

/** In real time: TCP, and Fardel through the very same relay. The rest is there from the simulation. */
function isRival({ protocol }: Row): boolean {
  return /^(?:TCP|fardel over UDP)\b/.test(String(protocol));
}

function styleOf(label: string): Omit<Curve, "label" | "points"> {
  const found = STYLES.find(([start]) => label.toLowerCase().startsWith(start.toLowerCase()));
  return (found ?? STYLES[STYLES.length - 1] ?? ["", undefined])[1] as Omit<
    Curve,
    "label" | "points"
  >;
}

/** Efficiency against loss, a panel for each message size. */
export function drawEfficiency(
  efficiency: readonly Row[],
  byHand: readonly Row[],
  kernelTcp: readonly Row[],
): string {
  const panels = PANELS.map(({ bytes }) => curvesFor(bytes, efficiency, byHand, kernelTcp));
  return drawSvg("efficiency", EFFICIENCY_TITLE, SIZE, {
    title: [
      titleOf(
        "Efficiency against loss",
        "Reference channel, first contact included. 1 is what the channel lets through, whatever the protocol. Of stop-and-wait the timeout is named.",
      ),
      ...PANELS.map(({ title }, i) => panelTitle(title, i)),
    ],
    grid: PANELS.map((_, i) => ({
      left: PLOT.left + i * PLOT.step,
      width: PLOT.width,
      top: PLOT.top,
      bottom: PLOT.bottom,
    })),
    xAxis: PANELS.map((_, gridIndex) => ({
      ...axisOf("Loss of datagrams, each way, %"),
      type: "value",
      nameGap: 34,
      gridIndex,
      min: 0,
      max: 30,
      interval: 10,
      splitLine: { show: false },
    })),
    yAxis: PANELS.map((_, gridIndex) => ({
      ...axisOf(gridIndex === 0 ? "Efficiency, share of the capacity" : ""),
      type: "value",
      nameGap: 42,
      gridIndex,
      min: 0,
      max: 1,
      interval: 0.2,
      axisLabel: { color: QUIET_INK, fontSize: 12, formatter: (value: number) => value.toFixed(1) },
    })),
    series: panels.flatMap((curves, i) => seriesOf([CAPACITY, ...curves], i)),
  });
}

function panelTitle(text: string, panel: number) {
  return {
    text,
    left: PLOT.left + panel * PLOT.step,
    top: 84,
    padding: 0,
    textStyle: { fontSize: 14, fontWeight: "bold", color: INK },
  };
}

const CAPACITY: Curve = {
  label: "capacity of the channel",
  color: BOUND,
  dash: "solid",
  symbol: "none",
  points: [
    [0, 1],
    [0.3, 1],
  ],
};

function seriesOf(curves: readonly Curve[], panel: number) {
  const heightPx = SIZE.height - PLOT.top - PLOT.bottom;
  const ends = curves.map(({ points }) => (1 - (points.at(-1)?.[1] ?? 0)) * heightPx);
  const shifts = spread(ends, NAME_GAP).map((place, i) => place - (ends[i] as number));
  return curves.map((curve, i) => series(curve, panel, shifts[i] as number));
}

/**
 * Moves places apart that are closer than `gap`, and leaves their order as it is: groups of neighbours spread
 * about their middle.
 */
export function spread(places: readonly number[], gap: number): number[] {
  const order = places
    .map((_, i) => i)
    .sort((i, j) => (places[i] ?? 0) - (places[j] ?? 0) || i - j);
  const moved = order.map((i) => places[i] as number);
  // Each turn moves what is too close by half of what is missing; a handful of names settles soon.
  for (let turn = 0; turn < 200; turn++) {
    for (let k = 1; k < moved.length; k++) {
      const missing = gap - ((moved[k] as number) - (moved[k - 1] as number));
      if (missing <= 0) continue;
      moved[k - 1] = (moved[k - 1] as number) - missing / 2;
      moved[k] = (moved[k] as number) + missing / 2;
    }
  }
  const result = [...places];
  for (const [k, i] of order.entries()) result[i] = moved[k] as number;
  return result;
}

function series({ label, color, dash, symbol, points }: Curve, panel: number, shiftPx: number) {
  return {
    type: "line",
    name: label,
    xAxisIndex: panel,
    yAxisIndex: panel,
    data: points.map(([loss, value]) => [loss * 100, value]),
    symbol,
    symbolSize: 8,
    showAllSymbol: true,
    lineStyle: { color, width: symbol === "none" ? 1.5 : 2.5, type: dash },
    itemStyle: { color, borderColor: color, borderWidth: 2 },
    // Named where it ends, so that nobody has to go to and fro between lines and a legend.
    endLabel: {
      show: true,
      formatter: label,
      color: symbol === "none" ? QUIET_INK : color,
      fontSize: 12.5,
      distance: 10,
      offset: [0, shiftPx],
      textBorderColor: GROUND,
      textBorderWidth: 3,
    },
  };
}
