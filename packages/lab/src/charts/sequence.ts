import type { Palette } from "../picture/palette.js";
import type { TimeSpan } from "../picture/strip-layout.js";
import type { RunRecord, TransferRecord } from "../run/record.js";
import { axisLook, type ChartOption, chartBase, timeAxis, unitOf } from "./chart-option.js";
import { type Point, thinned, thinnedSteps } from "./thinning.js";

/** From so many points on they are drawn smaller. */
const MANY = 1_500;

/**
 * Fragment against time: each sending, each repeat, what was lost, when the sender knew, and the two
 * edges of its window.
 */
export function sequenceOption(
  record: RunRecord,
  transfer: TransferRecord,
  span: TimeSpan,
  palette: Palette,
  isNarrow: boolean,
): ChartOption {
  const { us } = unitOf(span);
  const base = chartBase(palette, isNarrow);
  const { first, repeats, lost } = sendings(record, transfer, us);
  const acks = column(transfer.acknowledgedUs, us);
  const { window } = transfer;
  const view = { from: span.fromUs / us, to: span.toUs / us, top: transfer.fragmentCount + 1 };
  const edge = (values: Uint32Array): Point[] => {
    const steps = Array.from(
      window.atUs,
      (atUs, index): Point => [atUs / us, values[index]! + 0.5],
    );
    const last = steps.at(-1);
    // The last one holds until the transfer ends.
    if (last !== undefined) steps.push([transfer.endedUs / us, last[1]]);
    return thinnedSteps(steps, view);
  };
  const points = (name: string, all: Point[], symbol: string, colour: string, px: number) => {
    const data = thinned(all, view);
    return {
      type: "scatter" as const,
      name,
      data,
      symbol,
      symbolSize: data.length > MANY ? Math.min(px, 4) : px,
      itemStyle: { color: colour },
      tooltip: { formatter: (at: unknown) => pointText(name, at, us) },
    };
  };
  const line = (name: string, data: Point[], type: "solid" | "dashed") => ({
    type: "line" as const,
    name,
    data,
    step: "end" as const,
    symbol: "none",
    silent: true,
    itemStyle: { color: palette.ink },
    lineStyle: { color: palette.ink, width: 1.2, type },
  });
  return {
    ...base,
    legend: { ...base.legend, data: LEGEND },
    xAxis: timeAxis(palette, span),
    yAxis: {
      type: "value",
      ...axisLook(palette, "fragment", true),
      min: 0,
      max: transfer.fragmentCount + 1,
      minInterval: 1,
      axisLabel: { color: palette["ink-soft"], showMaxLabel: false },
    },
    series: [
      line("first missing", edge(window.base), "solid"),
      line("end of the window", edge(window.limit), "dashed"),
      points("sent", first, "rect", palette.data, 6),
      points("sent again", repeats, "diamond", palette.repeat, 9),
      points("lost", lost, CROSS, palette.lost, 11),
      points("acknowledged", acks, "triangle", palette.ack, 6),
    ],
  };
}

/** Shapes of the legend where those of the series would be too small, or of the wrong kind. */
const LEGEND = [
  { name: "first missing", icon: "path://M0 4h14v2h-14z" },
  { name: "end of the window", icon: "path://M0 4h5v2h-5zM9 4h5v2h-5z" },
  "sent",
  "sent again",
  "lost",
  "acknowledged",
];

/** A cross as a shape that is filled: ECharts has none. */
const CROSS = "path://M0 2L2 0L5 3L8 0L10 2L7 5L10 8L8 10L5 7L2 10L0 8L3 5Z";

function sendings(
  { datagrams }: RunRecord,
  { sends }: TransferRecord,
  us: number,
): { first: Point[]; repeats: Point[]; lost: Point[] } {
  const first: Point[] = [];
  const repeats: Point[] = [];
  const lost: Point[] = [];
  for (let send = 0; send < sends.atUs.length; send++) {
    const row = sends.datagram[send]!;
    const point: Point = [sends.atUs[send]! / us, sends.fragment[send]! + 1];
    (sends.isRepeat[send] === 1 ? repeats : first).push(point);
    const fate = datagrams.fate[row]!;
    if (fate !== 0 && fate !== PENDING) lost.push(point);
  }
  return { first, repeats, lost };
}

const PENDING = 9;

function column(momentsUs: Float64Array, us: number): Point[] {
  const points: Point[] = [];
  for (let fragment = 0; fragment < momentsUs.length; fragment++) {
    const atUs = momentsUs[fragment]!;
    if (!Number.isNaN(atUs)) points.push([atUs / us, fragment + 1]);
  }
  return points;
}

function pointText(name: string, at: unknown, us: number): string {
  const value = (at as { value?: unknown }).value;
  if (!Array.isArray(value)) return name;
  const unit = us === 1_000 ? "ms" : "s";
  return `fragment ${value[1]}, ${name} at ${Number(Number(value[0]).toPrecision(6))} ${unit}`;
}
