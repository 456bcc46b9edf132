import { GRID } from "../../charts/chart-option.js";
import { timeUs } from "../../state/playback.js";
import { calmSpan } from "../../state/span.js";

/** The present instant over a chart of time. Moves without the chart being drawn anew. */
export function NowLine() {
  const { fromUs, toUs } = calmSpan.value;
  const share = (timeUs.value - fromUs) / Math.max(toUs - fromUs, 1);
  if (share < 0 || share > 1) return null;
  return (
    <div
      class="now-line"
      aria-hidden="true"
      style={{
        left: `calc(${GRID.left}px + (100% - ${GRID.left + GRID.right}px) * ${share})`,
        top: `${GRID.top}px`,
        bottom: `${GRID.bottom}px`,
      }}
    />
  );
}
