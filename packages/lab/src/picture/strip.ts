import { DATAGRAM_KINDS, type RunRecord } from "../run/record.js";
import { countUntil, momentsOf } from "../run/views.js";
import { shortName } from "./air-stations.js";
import { kindColours, traceCross, traceHatch } from "./marks.js";
import type { Palette } from "./palette.js";
import { indexOf } from "./record-index.js";
import { layoutStrip, type StripLayout, type TimeSpan, ticksOf } from "./strip-layout.js";
import type { Size, Surface } from "./surface.js";

/** Draws all datagrams of a span of time, each on the line of its board, as in a score. */
export function drawStrip(
  surface: Surface,
  size: Size,
  record: RunRecord,
  span: TimeSpan,
  palette: Palette,
): void {
  const layout = layoutStrip(size, record.stations.length - 1, span);
  surface.fillStyle = palette.panel;
  surface.fillRect(0, 0, size.width, size.height);
  drawOutages(surface, layout, record, palette);
  drawLines(surface, layout, record, palette);
  drawDatagrams(surface, layout, record, palette);
  drawAxis(surface, layout, palette);
}

function drawOutages(
  surface: Surface,
  layout: StripLayout,
  record: RunRecord,
  palette: Palette,
): void {
  surface.strokeStyle = palette.lost;
  surface.globalAlpha = 0.4;
  surface.lineWidth = 1;
  for (const [fromUs, toUs] of record.outagesUs) {
    const left = Math.max(layout.x(fromUs), layout.left);
    const right = Math.min(layout.x(toUs), layout.right);
    if (right <= left) continue;
    surface.beginPath();
    traceHatch(surface, left, layout.top, right - left, layout.bottom - layout.top, 8);
    surface.stroke();
  }
  surface.globalAlpha = 1;
}

function drawLines(
  surface: Surface,
  layout: StripLayout,
  record: RunRecord,
  palette: Palette,
): void {
  surface.strokeStyle = palette.line;
  surface.lineWidth = 1;
  surface.beginPath();
  const every = Math.ceil(11 / layout.laneHeight);
  surface.font = `400 ${Math.min(Math.max(layout.laneHeight * 0.5, 9), 12)}px ${palette.font}`;
  surface.textAlign = "right";
  surface.textBaseline = "middle";
  surface.fillStyle = palette["ink-soft"];
  for (let board = 1; board <= layout.boards; board++) {
    const y = layout.laneTop(board) + layout.laneHeight / 2;
    surface.moveTo(layout.left, y);
    surface.lineTo(layout.right, y);
    if ((board - 1) % every !== 0) continue;
    surface.fillText(shortName(record.stations[board]?.name ?? "", 8), layout.left - 6, y);
  }
  surface.stroke();
}

/** Draws each kind in one go; what would fall on the same pixels is drawn once. */
function drawDatagrams(
  surface: Surface,
  layout: StripLayout,
  record: RunRecord,
  palette: Palette,
): void {
  const { startUs, leftUs, kind, fate, count } = record.datagrams;
  const index = indexOf(record);
  const from = countUntil(startUs, layout.span.fromUs - momentsOf(record).longestUs, count);
  const to = countUntil(startUs, layout.span.toUs, count);
  const colours = kindColours(palette);
  const half = Math.max(layout.laneHeight / 2 - 1.5, 1);
  const lastX = new Int32Array((layout.boards + 1) * 2);
  for (const isLost of [false, true]) {
    surface.globalAlpha = isLost ? 0.35 : 1;
    for (let which = 0; which < DATAGRAM_KINDS.length; which++) {
      lastX.fill(-1);
      surface.fillStyle = colours[which]!;
      surface.beginPath();
      for (let row = from; row < to; row++) {
        if (kind[row] !== which || isDead(fate[row]!) !== isLost) continue;
        const x = layout.x(startUs[row]!);
        const width = Math.max((leftUs[row]! - startUs[row]!) * layout.pxPerUs - 0.5, 1);
        if (x + width < layout.left || x > layout.right) continue;
        const back = index.isBack[row]!;
        const slot = index.lane[row]! * 2 + back;
        if (width === 1) {
          if (lastX[slot] === Math.floor(x)) continue;
          lastX[slot] = Math.floor(x);
        }
        const left = Math.max(x, layout.left);
        const middle = layout.laneTop(index.lane[row]!) + layout.laneHeight / 2;
        const height = half * HEIGHTS[which]!;
        const top = back === 1 ? middle + 1 : middle - height - 1;
        surface.rect(left, top, Math.min(x + width, layout.right) - left, height);
      }
      surface.fill();
    }
  }
  surface.globalAlpha = 1;
  drawCrosses(surface, layout, record, palette, from, to);
}

/** Full height for what carries a fragment, less for the rest: a score can be read without colour. */
const HEIGHTS = [1, 1, 0.45, 0.8, 0.9, 0.3];

function isDead(fate: number): boolean {
  return fate !== 0 && fate !== 9;
}

function drawCrosses(
  surface: Surface,
  layout: StripLayout,
  record: RunRecord,
  palette: Palette,
  from: number,
  to: number,
): void {
  const { startUs, leftUs, fate } = record.datagrams;
  const index = indexOf(record);
  const lastX = new Int32Array((layout.boards + 1) * 2).fill(-10);
  surface.strokeStyle = palette.lost;
  surface.lineWidth = 1.25;
  surface.beginPath();
  const room = layout.laneHeight / 2 - 2;
  for (let row = from; row < to; row++) {
    if (!isDead(fate[row]!)) continue;
    const x = layout.x((startUs[row]! + leftUs[row]!) / 2);
    if (x < layout.left || x > layout.right) continue;
    const back = index.isBack[row]!;
    const slot = index.lane[row]! * 2 + back;
    if (x - lastX[slot]! < 2) continue;
    lastX[slot] = x;
    const middle = layout.laneTop(index.lane[row]!) + layout.laneHeight / 2;
    const y = middle + (back === 1 ? 1 : -1) * (layout.laneHeight / 4);
    const width = (leftUs[row]! - startUs[row]!) * layout.pxPerUs;
    if (width >= 5 && room >= 4) traceCross(surface, x, y, Math.min(width * 0.35, room * 0.4, 5));
    else {
      // No room for a cross: a stroke that sticks out of the line.
      surface.moveTo(x, y - Math.max(room * 0.35, 1));
      surface.lineTo(x, y + Math.max(room * 0.35, 1));
    }
  }
  surface.stroke();
}

function drawAxis(surface: Surface, layout: StripLayout, palette: Palette): void {
  surface.strokeStyle = palette["ink-soft"];
  surface.fillStyle = palette["ink-soft"];
  surface.lineWidth = 1;
  surface.font = `400 11px ${palette.font}`;
  surface.textBaseline = "top";
  surface.textAlign = "center";
  surface.beginPath();
  surface.moveTo(layout.left, layout.bottom + 0.5);
  surface.lineTo(layout.right, layout.bottom + 0.5);
  for (const { us, text } of ticksOf(layout)) {
    const x = Math.round(layout.x(us)) + 0.5;
    surface.moveTo(x, layout.bottom);
    surface.lineTo(x, layout.bottom + 4);
    const half = text.length * 3;
    surface.fillText(
      text,
      Math.min(Math.max(x, layout.left + half), layout.right - half),
      layout.bottom + 6,
    );
  }
  surface.stroke();
}
