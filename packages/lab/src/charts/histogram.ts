import type { Palette } from "../picture/palette.js";
import { histogramOf } from "../run/histogram.js";
import { timeText } from "../words/quantities.js";
import { axisLook, type ChartOption, chartBase } from "./chart-option.js";

/** The times of one setting. */
export interface HistogramRun {
  readonly name: string;
  readonly timesUs: readonly number[];
}

/** How often a run took how long. Two settings share their intervals, so that bars compare. */
export function histogramOption(
  runs: readonly HistogramRun[],
  palette: Palette,
  isNarrow: boolean,
): ChartOption {
  const all = runs.flatMap(({ timesUs }) => timesUs);
  const { from, width, counts } = histogramOf(all);
  const labels = counts.map((_, bin) => timeText(from + (bin + 0.5) * width));
  const colours = [palette.data, palette.ack];
  return {
    ...chartBase(palette, isNarrow),
    legend: { ...chartBase(palette, isNarrow).legend, show: runs.length > 1 },
    tooltip: {
      ...chartBase(palette, isNarrow).tooltip,
      formatter: (at: unknown) => barText(at, from, width),
    },
    xAxis: {
      type: "category",
      ...axisLook(palette, "until all is delivered", false),
      data: labels,
    },
    yAxis: { type: "value", ...axisLook(palette, "runs", true), minInterval: 1 },
    series: runs.map(({ name, timesUs }, index) => ({
      type: "bar" as const,
      name,
      barCategoryGap: "8%",
      data: countsOf(timesUs, from, width, counts.length),
      itemStyle: {
        color: colours[index] ?? palette.ink,
        ...(index === 1 && {
          decal: {
            symbol: "rect",
            dashArrayX: [1, 0],
            dashArrayY: [2, 3],
            rotation: 0.8,
            color: palette.panel,
          },
        }),
      },
    })),
  };
}

function countsOf(timesUs: readonly number[], from: number, width: number, bins: number): number[] {
  const counts = new Array<number>(bins).fill(0);
  for (const timeUs of timesUs) {
    if (!Number.isFinite(timeUs)) continue;
    const bin = Math.min(bins - 1, Math.max(0, Math.floor((timeUs - from) / width)));
    counts[bin] = (counts[bin] ?? 0) + 1;
  }
  return counts;
}

function barText(at: unknown, from: number, width: number): string {
  const { dataIndex, value, seriesName } = at as {
    dataIndex: number;
    value: number;
    seriesName: string;
  };
  const left = timeText(from + dataIndex * width);
  const right = timeText(from + (dataIndex + 1) * width);
  return `${seriesName}: ${value} runs took ${left} to ${right}`;
}
