import { useCallback } from "preact/hooks";
import { type AirView, drawAir, rowsInView } from "../picture/air.js";
import { airHeight, boardAtPoint, layoutAir, rowAtPoint } from "../picture/air-layout.js";
import { indexOf } from "../picture/record-index.js";
import type { Size } from "../picture/surface.js";
import type { RunRecord } from "../run/record.js";
import { GLOW_S, timeUs, usPerS } from "../state/playback.js";
import { pickDatagram, pickedBoard, pickedDatagram } from "../state/selection.js";
import type { Side } from "../state/side.js";
import { palette } from "../state/theme.js";
import { Canvas } from "./Canvas.js";

export interface SidePictureProps {
  readonly side: Side;
  readonly record: RunRecord;
}

/** The gateway, the boards, and the datagrams between them. */
export function AirPanel({ side, record }: SidePictureProps) {
  const boards = record.stations.length - 1;
  const height = airHeight(boards);
  const draw = useCallback(
    (context: CanvasRenderingContext2D, size: Size) => {
      drawAir(context, layoutAir(size, boards), airViewOf(side, record), palette.value);
    },
    [side, record],
  );
  const onPointerDown = (event: PointerEvent): void => {
    const layout = layoutAir({ width: (event.target as HTMLElement).clientWidth, height }, boards);
    const air = airViewOf(side, record);
    const index = indexOf(record);
    const row = rowAtPoint(layout, air, index, rowsInView(air), event.offsetX, event.offsetY);
    const board = boardAtPoint(layout, event.offsetY);
    if (board !== -1) pickedBoard.value = board;
    if (row !== -1) pickDatagram(side, row);
  };
  return (
    <Canvas
      className="picture clickable"
      label={`The air: the gateway on the left, ${boards === 1 ? "one board" : `${boards} boards`} on the right, datagrams between them. The table "Datagrams around now" says the same in words.`}
      height={height}
      draw={draw}
      onPointerDown={onPointerDown}
    />
  );
}

function airViewOf(side: Side, record: RunRecord): AirView {
  const picked = pickedDatagram.value;
  return {
    record,
    atUs: timeUs.value,
    glowUs: usPerS.value * GLOW_S,
    pickedBoard: pickedBoard.value,
    pickedRow: picked?.side === side.name ? picked.row : -1,
  };
}
