import { useCallback } from "preact/hooks";
import { drawCellsIn } from "../picture/cell-look.js";
import { FRAGMENT_STATES, type FragmentState, STATE_WORDS } from "../picture/fragment-states.js";
import { traceMark } from "../picture/marks.js";
import { PathPen } from "../picture/path-pen.js";
import type { Size } from "../picture/surface.js";
import { DATAGRAM_KINDS, type DatagramKind } from "../run/record.js";
import { palette } from "../state/theme.js";
import { KIND_WORDS } from "../words/kinds.js";
import { Canvas } from "./Canvas.js";

/** What the tiles in the air are. */
export function KindLegend({ kinds = DATAGRAM_KINDS }: { kinds?: readonly DatagramKind[] }) {
  return (
    <ul class="legend">
      {kinds.map((kind) => (
        <li key={kind} title={KIND_WORDS[kind].words}>
          <KindMark kind={kind} />
          {KIND_WORDS[kind].name}
        </li>
      ))}
      <li title="it does not arrive">
        <svg class="mark" viewBox="0 0 22 14" aria-hidden="true">
          <path d="M7 3l8 8M15 3l-8 8" stroke="var(--lost)" stroke-width="2.4" fill="none" />
        </svg>
        Lost
      </li>
    </ul>
  );
}

export function KindMark({ kind }: { kind: DatagramKind }) {
  const pen = new PathPen();
  traceMark(pen, kind, 11, 7, kind === "data" || kind === "repeat" ? 20 : 12, 11, false);
  return (
    <svg class="mark" viewBox="0 0 22 14" aria-hidden="true">
      <path d={pen.path} fill={`var(--${kind})`} />
    </svg>
  );
}

/** What the cells of the blob are. */
export function StateLegend() {
  return (
    <ul class="legend">
      {FRAGMENT_STATES.map((state) => (
        <li key={state} title={STATE_WORDS[state].words}>
          <StateMark state={state} />
          {STATE_WORDS[state].name}
        </li>
      ))}
    </ul>
  );
}

function StateMark({ state }: { state: FragmentState }) {
  const draw = useCallback(
    (context: CanvasRenderingContext2D, _size: Size) => {
      drawCellsIn(context, state, (each) => each(1, 1), 14, palette.value);
    },
    [state],
  );
  return <Canvas className="state-mark" height={16} draw={draw} />;
}
