// The parts of ECharts that the lab's charts are made of; nothing else of it gets into the page.
import { BarChart, LineChart, ScatterChart } from "echarts/charts";
import { GridComponent, LegendComponent, TooltipComponent } from "echarts/components";
import { type ECharts, init, use } from "echarts/core";
import { CanvasRenderer, SVGRenderer } from "echarts/renderers";
import type { Size } from "../picture/surface.js";
import type { ChartOption } from "./chart-option.js";

use([
  BarChart,
  LineChart,
  ScatterChart,
  GridComponent,
  LegendComponent,
  TooltipComponent,
  CanvasRenderer,
  SVGRenderer,
]);

export type { ECharts };

/** A chart in a place of the page. */
export function openChart(place: HTMLElement): ECharts {
  return init(place, null, { renderer: "canvas" });
}

/** The same chart as text of an SVG file. */
export function chartToSvg(option: ChartOption, { width, height }: Size): string {
  const chart = init(null, null, { renderer: "svg", ssr: true, width, height });
  chart.setOption({ ...option, animation: false });
  const svg = chart.renderToSVGString();
  chart.dispose();
  // Its rules are for a pointer over the chart, and their names for a page with one chart only.
  return svg.replace(/<style[^>]*>.*?<\/style>/gs, "");
}
