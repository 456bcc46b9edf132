import type { ReadonlySignal } from "@preact/signals";
import { effect } from "@preact/signals";
import type { ComponentChildren } from "preact";
import { useEffect, useRef } from "preact/hooks";
import type { ChartOption } from "../../charts/chart-option.js";
import { openChart } from "../../charts/echarts.js";

export interface ChartProps {
  /** What it shows and what there is to see, in words. */
  readonly label: string;
  readonly height?: number;
  readonly option: ReadonlySignal<ChartOption>;
  /** Drawn over it. */
  readonly children?: ComponentChildren;
}

/** A chart that follows its option and its place. */
export function Chart({ label, height = 260, option, children }: ChartProps) {
  const place = useRef<HTMLDivElement>(null);
  useEffect(() => {
    const element = place.current;
    if (element === null) return;
    const chart = openChart(element);
    const end = effect(() => chart.setOption(option.value, { notMerge: true, lazyUpdate: true }));
    const observer = new ResizeObserver(() => chart.resize());
    observer.observe(element);
    return () => {
      observer.disconnect();
      end();
      chart.dispose();
    };
  }, [option]);
  return (
    <div class="chart">
      <div ref={place} role="img" aria-label={label} style={{ height: `${height}px` }} />
      {children}
    </div>
  );
}
