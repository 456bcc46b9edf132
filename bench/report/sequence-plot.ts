import type { Row } from "../benchmark.js";
import { axisOf, BLUES, drawSvg, INK, MOSS, PLUM, QUIET_INK, RUST, titleOf } from "./look.js";

export const SEQUENCE_TITLE =
  "Fragment number against time of one transfer: first sends, repeats, acks, and what was lost";

const SIZE = { width: 1040, height: 620 };

/** What is drawn, and how: filled where it arrived, a cross or an empty shape where it was lost. */
const MARKS = [
  {
    kind: "opening",
    label: "opening of the session",
    symbol: "roundRect",
    color: QUIET_INK,
    size: 8,
  },
  { kind: "first", label: "first send", symbol: "circle", color: BLUES[1], size: 6 },
  { kind: "repeat", label: "repeat", symbol: "triangle", color: RUST, size: 9 },
  { kind: "question", label: "question without data", symbol: "rect", color: PLUM, size: 8 },
  { kind: "ack", label: "ack: all below it has arrived", symbol: "diamond", color: MOSS, size: 11 },
] as const;

/** A saltire: what did not arrive. */
const CROSS = "path://M0,2 L2,0 L5,3 L8,0 L10,2 L7,5 L10,8 L8,10 L5,7 L2,10 L0,8 L3,5 Z";

/** Time and fragment number of every datagram of one transfer. */
export function drawSequence(rows: readonly Row[]): string {
  return drawSvg("sequence", SEQUENCE_TITLE, SIZE, {
    title: titleOf(
      "One transfer of 16 KiB at a loss of 20 %, datagram by datagram",
      "Reference channel, window 64, first contact included. Crosses did not arrive. Each instant is when the datagram had left the air.",
    ),
    legend: {
      top: 72,
      left: 66,
      itemGap: 22,
      itemWidth: 14,
      itemHeight: 12,
      textStyle: { color: INK, fontSize: 13 },
      // Crosses are explained above: naming them with each kind would double the legend.
      data: MARKS.filter((mark) => pointsOf(rows, mark, false).length > 0).map(
        ({ label }) => label,
      ),
    },
    grid: { left: 70, right: 30, top: 116, bottom: 62 },
    xAxis: { ...axisOf("Time since the first call, ms"), type: "value", nameGap: 34, min: 0 },
    yAxis: {
      ...axisOf("Fragment number"),
      type: "value",
      nameGap: 42,
      min: 0,
      axisLabel: { color: QUIET_INK, fontSize: 12 },
    },
    series: MARKS.flatMap((mark) => [seriesOf(rows, mark, false), seriesOf(rows, mark, true)]),
  });
}

type Mark = (typeof MARKS)[number];

function nameOf({ label }: Mark, isLost: boolean): string {
  return isLost ? `${label}, lost` : label;
}

function pointsOf(rows: readonly Row[], { kind }: Mark, isLost: boolean): number[][] {
  return rows
    .filter((row) => row.kind === kind && (row.fate === "lost") === isLost)
    .map(({ us, fragment }) => [Number(us) / 1000, Number(fragment)]);
}

function seriesOf(rows: readonly Row[], mark: Mark, isLost: boolean) {
  const { symbol, color, size } = mark;
  return {
    type: "scatter",
    name: nameOf(mark, isLost),
    data: pointsOf(rows, mark, isLost),
    symbol: isLost ? CROSS : symbol,
    symbolSize: isLost ? 9 : size,
    itemStyle: { color, opacity: 1 },
  };
}
