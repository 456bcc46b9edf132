import { useCallback, useMemo, useRef } from "preact/hooks";
import { type CellLayout, cellsHeight, drawCells, fragmentAtPoint } from "../picture/cells.js";
import { transferOf } from "../picture/record-index.js";
import type { Size } from "../picture/surface.js";
import { timeUs } from "../state/playback.js";
import { pickDatagram, pickedBoard } from "../state/selection.js";
import { palette } from "../state/theme.js";
import type { SidePictureProps } from "./AirPanel.js";
import { Canvas } from "./Canvas.js";

/** The chosen board's blob: a cell for each fragment, the window around those that may be sent. */
export function CellsPanel({ side, record }: SidePictureProps) {
  const transfer = transferOf(record, pickedBoard.value);
  const states = useMemo(() => new Uint8Array(transfer?.fragmentCount ?? 0), [transfer]);
  const layout = useRef<CellLayout | undefined>(undefined);
  const draw = useCallback(
    (context: CanvasRenderingContext2D, size: Size) => {
      if (transfer === undefined) return;
      const view = { record, transfer, atUs: timeUs.value, states };
      layout.current = drawCells(context, size, view, palette.value);
    },
    [record, transfer, states],
  );
  const height = useCallback(
    (width: number) => cellsHeight(width, transfer?.fragmentCount ?? 0),
    [transfer],
  );
  if (transfer === undefined) return <p class="soft">This board has no blob in this run.</p>;
  const onPointerDown = (event: PointerEvent): void => {
    if (layout.current === undefined) return;
    const { offsetX, offsetY } = event;
    const fragment = fragmentAtPoint(layout.current, transfer.fragmentCount, offsetX, offsetY);
    if (fragment === -1) return;
    // Its last sending so far, or the first one to come.
    const { sends } = transfer;
    let row = -1;
    for (let send = 0; send < sends.fragment.length; send++) {
      if (sends.fragment[send] !== fragment) continue;
      if (row !== -1 && sends.atUs[send]! > timeUs.value) break;
      row = sends.datagram[send]!;
    }
    if (row !== -1) pickDatagram(side, row);
  };
  return (
    <Canvas
      className="picture clickable"
      label={`The blob at its receiver: ${transfer.fragmentCount} fragments as cells that fill in.`}
      height={height}
      draw={draw}
      onPointerDown={onPointerDown}
    />
  );
}
