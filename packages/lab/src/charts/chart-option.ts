import type { BarSeriesOption, LineSeriesOption, ScatterSeriesOption } from "echarts/charts";
import type {
  GridComponentOption,
  LegendComponentOption,
  TooltipComponentOption,
} from "echarts/components";
import type { ComposeOption } from "echarts/core";
import type { Palette } from "../picture/palette.js";
import type { TimeSpan } from "../picture/strip-layout.js";

export type ChartOption = ComposeOption<
  | BarSeriesOption
  | LineSeriesOption
  | ScatterSeriesOption
  | GridComponentOption
  | LegendComponentOption
  | TooltipComponentOption
>;

/** Room around the plot, pixels; fixed, so that the line of the present instant can be drawn over it. */
export const GRID = { left: 58, right: 16, top: 54, bottom: 42 } as const;

/** What all charts have in common. */
export function chartBase(palette: Palette, isNarrow: boolean): ChartOption {
  return {
    animation: false,
    backgroundColor: palette.panel,
    textStyle: { color: palette.ink, fontFamily: palette.font, fontSize: 12 },
    grid: { ...GRID, outerBoundsMode: "none" },
    tooltip: {
      trigger: "item",
      confine: true,
      backgroundColor: palette.panel,
      borderColor: palette.ink,
      textStyle: { color: palette.ink, fontSize: 12 },
    },
    legend: {
      top: 4,
      left: 8,
      right: 8,
      itemWidth: 14,
      itemHeight: 9,
      itemGap: isNarrow ? 8 : 14,
      textStyle: { color: palette["ink-soft"], fontSize: 11.5 },
      inactiveColor: palette.line,
    },
  };
}

/** An axis in the page's colours. */
export function axisLook(palette: Palette, name: string, isVertical: boolean) {
  return {
    name,
    nameLocation: "middle" as const,
    nameGap: isVertical ? 42 : 26,
    nameTextStyle: { color: palette["ink-soft"] },
    axisLine: { show: true, lineStyle: { color: palette["ink-soft"] } },
    axisTick: { show: true, lineStyle: { color: palette["ink-soft"] } },
    axisLabel: { color: palette["ink-soft"], hideOverlap: true },
    splitLine: { show: isVertical, lineStyle: { color: palette.line, opacity: 0.7 } },
  };
}

/** Time along the lower edge, in seconds or milliseconds, whichever reads better. */
export function timeAxis(palette: Palette, span: TimeSpan) {
  const unit = unitOf(span);
  return {
    type: "value" as const,
    ...axisLook(palette, `time, ${unit.name}`, false),
    min: span.fromUs / unit.us,
    max: span.toUs / unit.us,
    axisLabel: {
      color: palette["ink-soft"],
      hideOverlap: true,
      showMinLabel: span.fromUs === 0,
      showMaxLabel: false,
      formatter: (value: number) => String(Number(value.toPrecision(5))),
    },
  };
}

export function unitOf({ toUs }: TimeSpan): { readonly name: string; readonly us: number } {
  return toUs < 2_000_000 ? { name: "ms", us: 1_000 } : { name: "s", us: 1_000_000 };
}
