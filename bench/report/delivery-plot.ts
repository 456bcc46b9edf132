import type { Row } from "../benchmark.js";
import { COMMAND, MESSAGE } from "./deliveries.js";
import { axisOf, BLUES, drawSvg, INK, PLUM, RUST, titleOf } from "./look.js";

export const DELIVERY_TITLE =
  "Share of deliveries against time: messages of 16 KiB, and urgent commands during a blob, at losses of 0, 10 and 30 %";

const SIZE = { width: 1040, height: 470 };

const STYLES = [
  { color: BLUES[0], dash: "solid" },
  { color: PLUM, dash: "dashed" },
  { color: RUST, dash: "dotted" },
] as const;

/** Where curves are named, by their order: at which share, and on which side. */
const PANELS = [
  {
    what: MESSAGE,
    title: "Message of 16 KiB, first contact included",
    names: [0.5, 0.44, 0.64],
  },
  {
    what: COMMAND,
    title: "Urgent command of 32 bytes while a blob of 128 KiB is under way",
    names: [0.5, 0.82, 0.6],
  },
] as const;

/** Share of the deliveries that took at most so long, a panel for each kind, a curve for each loss. */
export function drawDelivery(rows: readonly Row[]): string {
  return drawSvg("delivery", DELIVERY_TITLE, SIZE, {
    title: [
      titleOf(
        "How long deliveries take",
        "Reference channel. Each curve shows the share of the messages that had arrived after so many milliseconds.",
      ),
      ...PANELS.map(({ title }, i) => ({
        text: title,
        left: 70 + i * 505,
        top: 84,
        padding: 0,
        textStyle: { fontSize: 14, fontWeight: "bold", color: INK },
      })),
    ],
    grid: PANELS.map((_, i) => ({ left: 70 + i * 505, width: 435, top: 120, bottom: 62 })),
    xAxis: PANELS.map(({ what }, gridIndex) => ({
      ...axisOf(
        what === COMMAND ? "Time until delivered, ms, logarithmic" : "Time until delivered, ms",
      ),
      type: what === COMMAND ? "log" : "value",
      ...(what === COMMAND
        ? { min: 2, max: roundAbove(rows, what), logBase: 10 }
        : { scale: true, min: atLeast(rows, what, 50) }),
      nameGap: 34,
      gridIndex,
    })),
    yAxis: PANELS.map((_, gridIndex) => ({
      ...axisOf(gridIndex === 0 ? "Share delivered, %" : ""),
      type: "value",
      nameGap: 42,
      gridIndex,
      min: 0,
      max: 100,
      interval: 25,
    })),
    series: PANELS.flatMap(({ what, names }, panel) =>
      lossesOf(rows, what).map((loss, i) =>
        curve(rows, what, loss, panel, i, names[i % names.length] ?? 0.5),
      ),
    ),
  });
}

function lossesOf(rows: readonly Row[], what: string): number[] {
  return [...new Set(rows.filter((row) => row.what === what).map(({ loss }) => Number(loss)))];
}

/** Times of these rows, ms; without any, one, so that an empty plot has axes. */
function timesMs(rows: readonly Row[], what: string): number[] {
  const times = rows.filter((row) => row.what === what).map(({ us }) => Number(us) / 1000);
  return times.length > 0 ? times : [100];
}

/** The least time of these rows, rounded down to a whole step, ms. */
function atLeast(rows: readonly Row[], what: string, stepMs: number): number {
  return Math.floor(Math.min(...timesMs(rows, what)) / stepMs) * stepMs;
}

/** The next of 1, 2, 5, 10, 20 … above all of these times, ms. */
function roundAbove(rows: readonly Row[], what: string): number {
  const most = Math.max(...timesMs(rows, what));
  const steps = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000];
  return steps.find((step) => step >= most) ?? most;
}

function curve(
  rows: readonly Row[],
  what: string,
  loss: number,
  panel: number,
  index: number,
  named: number,
) {
  const { color, dash } = STYLES[index % STYLES.length] ?? STYLES[0];
  const steps = rows.filter((row) => row.what === what && row.loss === loss);
  const first = Number(steps[0]?.us ?? 0) / 1000;
  const label = loss === 0 ? "no loss" : `loss ${loss * 100} %`;
  return {
    type: "line",
    name: `${what}, ${label}`,
    xAxisIndex: panel,
    yAxisIndex: panel,
    step: "end",
    symbol: "none",
    data: [[first, 0], ...steps.map(({ us, share }) => [Number(us) / 1000, Number(share) * 100])],
    lineStyle: { color, width: 2.5, type: dash },
    itemStyle: { color },
    // Named beside the curve, where the three are apart.
    markPoint: {
      symbol: "circle",
      symbolSize: 1,
      data: [{ coord: placeOf(steps, named) }],
      label: {
        show: true,
        position: index === 0 ? "left" : "right",
        distance: 8,
        formatter: label,
        color,
        fontSize: 12.5,
        fontWeight: "bold",
      },
    },
  };
}

/** The point of the curve at this share. */
function placeOf(steps: readonly Row[], share: number): [number, number] {
  const step = steps.find((row) => Number(row.share) >= share);
  return [Number(step?.us ?? 0) / 1000, Number(step?.share ?? 0) * 100];
}
