import { effect } from "@preact/signals";
import { useCallback, useEffect, useRef } from "preact/hooks";
import { drawStrip } from "../picture/strip.js";
import { layoutStrip, panned, rowAtStrip, stripHeight, zoomed } from "../picture/strip-layout.js";
import type { Size } from "../picture/surface.js";
import { isPlaying, pause, seek, timeUs } from "../state/playback.js";
import { pickDatagram, pickedBoard, pickedDatagram } from "../state/selection.js";
import { setSpan, span, wholeEndUs } from "../state/span.js";
import { palette } from "../state/theme.js";
import type { SidePictureProps } from "./AirPanel.js";
import { Canvas } from "./Canvas.js";

/** Every datagram of the run on a line of time: drag to move along, turn the wheel to look closer. */
export function StripPanel({ side, record }: SidePictureProps) {
  const boards = record.stations.length - 1;
  const height = stripHeight(boards);
  const place = useRef<HTMLDivElement>(null);
  const draw = useCallback(
    (context: CanvasRenderingContext2D, size: Size) => {
      drawStrip(context, size, record, span.value, palette.value);
    },
    [record],
  );
  const drawNow = useCallback(
    (context: CanvasRenderingContext2D, size: Size) => {
      const layout = layoutStrip(size, boards, span.value);
      const x = Math.min(Math.max(layout.x(timeUs.value), layout.left), layout.right);
      const colours = palette.value;
      context.fillStyle = colours.panel;
      context.globalAlpha = 0.55;
      context.fillRect(x, layout.top, layout.right - x, layout.bottom - layout.top);
      context.globalAlpha = 1;
      context.fillStyle = colours.ink;
      context.fillRect(x - 0.75, layout.top - 4, 1.5, layout.bottom - layout.top + 4);
      drawPicked(context, layout, side.name, record);
    },
    [side, record],
  );
  useWheel(place, boards);
  const drag = useDrag(side, record, height);
  return (
    <div class="layers" ref={place}>
      <Canvas
        className="picture grab"
        label={`Every datagram of the run, one line for each board, from left to right in time. Out from the gateway above the line, back below it.`}
        height={height}
        draw={draw}
        {...drag}
      />
      <Canvas className="layer" height={height} draw={drawNow} />
    </div>
  );
}

/** Turns the leaf while the run plays past the edge. */
export function followTime(): () => void {
  return effect(() => {
    const us = timeUs.value;
    const { fromUs, toUs } = span.peek();
    if (!isPlaying.peek() || (us >= fromUs && us <= toUs)) return;
    setSpan(panned(span.peek(), us - fromUs, wholeEndUs.peek()));
  });
}

function drawPicked(
  context: CanvasRenderingContext2D,
  layout: ReturnType<typeof layoutStrip>,
  name: string,
  { datagrams }: SidePictureProps["record"],
): void {
  const picked = pickedDatagram.value;
  if (picked === undefined || picked.side !== name || picked.row >= datagrams.count) return;
  const left = layout.x(datagrams.startUs[picked.row]!);
  const right = layout.x(datagrams.leftUs[picked.row]!);
  if (right < layout.left || left > layout.right) return;
  context.strokeStyle = palette.value.focus;
  context.lineWidth = 2;
  const from = datagrams.from[picked.row]!;
  const board = from === 0 ? datagrams.to[picked.row]! : from;
  const top = layout.laneTop(board >= 1 && board <= layout.boards ? board : 1);
  context.strokeRect(left - 3, top, Math.max(right - left, 2) + 6, layout.laneHeight);
}

/** The wheel zooms with Ctrl held, or with the fingers apart on a pad; without, the page scrolls. */
function useWheel(place: { readonly current: HTMLDivElement | null }, boards: number): void {
  useEffect(() => {
    const element = place.current;
    if (element === null) return;
    const onWheel = (event: WheelEvent): void => {
      const layout = layoutStrip({ width: element.clientWidth, height: 0 }, boards, span.value);
      if (event.ctrlKey || event.metaKey) {
        event.preventDefault();
        const factor = Math.exp(Math.max(Math.min(event.deltaY, 60), -60) / 120);
        const x = event.clientX - element.getBoundingClientRect().left;
        setSpan(zoomed(span.value, layout.us(x), factor, wholeEndUs.value));
      } else if (event.deltaX !== 0 && Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
        event.preventDefault();
        setSpan(panned(span.value, event.deltaX / layout.pxPerUs, wholeEndUs.value));
      }
    };
    element.addEventListener("wheel", onWheel, { passive: false });
    return () => element.removeEventListener("wheel", onWheel);
  }, [boards]);
}

/** A drag moves along, a click chooses the datagram, or the instant if there is none. */
function useDrag(
  side: SidePictureProps["side"],
  record: SidePictureProps["record"],
  height: number,
) {
  const held = useRef<{ x: number; moved: number } | undefined>(undefined);
  const layoutOf = (event: PointerEvent) => {
    const width = (event.currentTarget as HTMLElement).clientWidth;
    return layoutStrip({ width, height }, record.stations.length - 1, span.value);
  };
  return {
    onPointerDown: (event: PointerEvent): void => {
      held.current = { x: event.offsetX, moved: 0 };
      (event.currentTarget as HTMLElement).setPointerCapture(event.pointerId);
    },
    onPointerMove: (event: PointerEvent): void => {
      const from = held.current;
      if (from === undefined) return;
      const byPx = event.offsetX - from.x;
      from.moved += Math.abs(byPx);
      from.x = event.offsetX;
      if (from.moved > 4) {
        setSpan(panned(span.value, -byPx / layoutOf(event).pxPerUs, wholeEndUs.value));
      }
    },
    onPointerUp: (event: PointerEvent): void => {
      const from = held.current;
      held.current = undefined;
      if (from === undefined || from.moved > 4) return;
      const layout = layoutOf(event);
      const row = rowAtStrip(layout, record, event.offsetX, event.offsetY);
      pause();
      if (row === -1) seek(layout.us(event.offsetX));
      else {
        pickDatagram(side, row);
        const from = record.datagrams.from[row]!;
        const board = from === 0 ? record.datagrams.to[row]! : from;
        if (board < record.stations.length) pickedBoard.value = board;
        seek((record.datagrams.startUs[row]! + record.datagrams.leftUs[row]!) / 2);
      }
    },
  };
}
