import type { Palette } from "../picture/palette.js";
import type { TimeSpan } from "../picture/strip-layout.js";
import type { RunRecord } from "../run/record.js";
import { axisLook, type ChartOption, chartBase, timeAxis, unitOf } from "./chart-option.js";

/** One run of the chart. */
export interface GoodputRun {
  /** Empty if there is only one. */
  readonly name: string;
  readonly record: RunRecord;
}

/** One point of a line. */
interface GoodputPoint {
  readonly atUs: number;
  readonly bytesPerS: number;
}

const POINTS_MAX = 80;

/** What arrived in each interval, in the mean so far, and what the channel could carry. */
export function goodputOption(
  runs: readonly GoodputRun[],
  span: TimeSpan,
  palette: Palette,
  isNarrow: boolean,
): ChartOption {
  const { us } = unitOf(span);
  const base = chartBase(palette, isNarrow);
  const series = runs.flatMap((run, index) => linesOf(run, index, us, palette));
  return {
    ...base,
    legend: {
      ...base.legend,
      data: series.map(({ name, icon }) => ({ name, icon: `path://${icon}` })),
    },
    xAxis: timeAxis(palette, span),
    yAxis: {
      type: "value",
      ...axisLook(palette, "kB/s", true),
      min: 0,
      axisLabel: { color: palette["ink-soft"], showMaxLabel: false },
    },
    series: series.map(({ icon: _icon, ...line }) => line),
  };
}

const ICONS = {
  area: "M0 2h14v6h-14z",
  solid: "M0 4h14v2h-14z",
  dotted: "M0 4h3v2h-3zM5 4h3v2h-3zM10 4h3v2h-3z",
};

function linesOf({ name, record }: GoodputRun, index: number, us: number, palette: Palette) {
  const colour = index === 0 ? palette.data : palette.ack;
  const label = (text: string): string => (name === "" ? text : `${name}: ${text}`);
  const { inIntervals, soFar } = arrivals(record);
  const limit = record.figures.limitBytesPerS;
  const shared = { type: "line" as const, symbol: "none", silent: true };
  return [
    {
      ...shared,
      name: label("arriving"),
      icon: ICONS.area,
      step: "end" as const,
      itemStyle: { color: colour },
      lineStyle: { width: 0 },
      areaStyle: { color: colour, opacity: index === 0 ? 0.3 : 0.2 },
      data: scaled(inIntervals, us),
    },
    {
      ...shared,
      name: label("mean so far"),
      icon: ICONS.solid,
      itemStyle: { color: colour },
      lineStyle: { color: colour, width: 2 },
      data: scaled(soFar, us),
    },
    ...(limit === undefined || !Number.isFinite(limit)
      ? []
      : [
          {
            ...shared,
            name: label("limit"),
            icon: ICONS.dotted,
            itemStyle: { color: index === 0 ? palette.ink : colour },
            lineStyle: { color: index === 0 ? palette.ink : colour, width: 2, type: [3, 3] },
            data: [
              [0, limit / 1_000],
              [record.endUs / us, limit / 1_000],
            ],
          },
        ]),
  ];
}

function scaled(points: readonly GoodputPoint[], us: number): number[][] {
  return points.map(({ atUs, bytesPerS }) => [atUs / us, bytesPerS / 1_000]);
}

/** Bytes of fragments when each arrived for the first time, in whatever order. */
export function arrivals(record: RunRecord): {
  /** From the beginning of each interval on; the last point only ends the last one. */
  readonly inIntervals: readonly GoodputPoint[];
  /** From the beginning to the end of each interval. */
  readonly soFar: readonly GoodputPoint[];
} {
  const { endUs, transfers, datagrams } = record;
  if (!(endUs > 0)) return { inIntervals: [], soFar: [] };
  const count = Math.min(POINTS_MAX, Math.max(6, Math.round(datagrams.count / 12)));
  const stepUs = endUs / count;
  const bytes = new Float64Array(count);
  for (const { arrivedUs, fragmentBytes } of transfers) {
    for (let fragment = 0; fragment < arrivedUs.length; fragment++) {
      const atUs = arrivedUs[fragment]!;
      if (Number.isNaN(atUs)) continue;
      bytes[Math.min(count - 1, Math.floor(atUs / stepUs))]! += fragmentBytes[fragment]!;
    }
  }
  let sum = 0;
  const soFar = Array.from(bytes, (each, index) => {
    sum += each;
    const atUs = (index + 1) * stepUs;
    return { atUs, bytesPerS: (sum * 1e6) / atUs };
  });
  const inIntervals = Array.from([...bytes, bytes[count - 1]!], (each, index) => ({
    atUs: index * stepUs,
    bytesPerS: (each * 1e6) / stepUs,
  }));
  return { inIntervals, soFar };
}
