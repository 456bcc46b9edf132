import { DATAGRAM_KINDS, FATE_NAMES, type RunRecord } from "../run/record.js";
import { countUntil, momentsOf } from "../run/views.js";
import { type AirLayout, placeOf, type TilePlace } from "./air-layout.js";
import { drawBoards, drawGateway } from "./air-stations.js";
import { kindColours, traceCross, traceHatch, traceMark } from "./marks.js";
import type { Palette } from "./palette.js";
import { indexOf, type RecordIndex } from "./record-index.js";
import type { Surface } from "./surface.js";

/** What the picture of the air shows. */
export interface AirView {
  readonly record: RunRecord;
  readonly atUs: number;
  /** A tile is to be seen for at least so much of the run's time, however short it was on air. */
  readonly glowUs: number;
  readonly pickedBoard: number;
  /** Row of the datagram that is shown elsewhere, or -1. */
  readonly pickedRow: number;
}

/** More tiles than these lose their numbers. */
const NUMBERED_MAX = 60;

/** Draws the gateway, the boards, and every datagram that is between them. */
export function drawAir(
  surface: Surface,
  layout: AirLayout,
  view: AirView,
  palette: Palette,
): void {
  surface.fillStyle = palette.panel;
  surface.fillRect(0, 0, layout.width, layout.height);
  drawLanes(surface, layout, view, palette);
  drawOutage(surface, layout, view, palette);
  drawGateway(surface, layout, palette);
  drawBoards(surface, layout, view, palette);
  drawTiles(surface, layout, view, palette);
}

function drawLanes(
  surface: Surface,
  layout: AirLayout,
  { pickedBoard }: AirView,
  palette: Palette,
): void {
  for (let board = 1; board <= layout.boards; board++) {
    if (board === pickedBoard && layout.boards > 1) {
      surface.globalAlpha = 0.35;
      surface.fillStyle = palette.line;
      surface.fillRect(
        layout.airLeft,
        layout.laneTop(board),
        layout.width - layout.airLeft,
        layout.laneHeight,
      );
      surface.globalAlpha = 1;
    }
  }
  surface.strokeStyle = palette.line;
  surface.lineWidth = 1;
  surface.setLineDash([2, 5]);
  surface.beginPath();
  for (let board = 1; board <= layout.boards; board++) {
    for (const y of [layout.trackY(board, false), layout.trackY(board, true)]) {
      surface.moveTo(layout.airLeft, y);
      surface.lineTo(layout.airRight, y);
    }
  }
  surface.stroke();
  surface.setLineDash([]);
}

function drawOutage(surface: Surface, layout: AirLayout, view: AirView, palette: Palette): void {
  const { record, atUs } = view;
  if (!record.outagesUs.some(([fromUs, toUs]) => atUs >= fromUs && atUs < toUs)) return;
  const width = layout.airRight - layout.airLeft;
  const height = layout.height - layout.top - layout.bottom;
  surface.strokeStyle = palette.lost;
  surface.globalAlpha = 0.35;
  surface.lineWidth = 1;
  surface.beginPath();
  traceHatch(surface, layout.airLeft, layout.top, width, height, 12);
  surface.stroke();
  surface.globalAlpha = 1;
  surface.fillStyle = palette.lost;
  surface.font = `600 12px ${palette.font}`;
  surface.textAlign = "center";
  surface.textBaseline = "middle";
  surface.fillText("outage: nothing gets through", layout.airLeft + width / 2, layout.top / 2 + 1);
}

/** Rows that may be in view: from the first to before the last. */
export function rowsInView({ record, atUs, glowUs }: AirView): readonly [number, number] {
  const { startUs, count } = record.datagrams;
  // It may be in view for as long again while it dies.
  const backUs = Math.max(momentsOf(record).longestUs, glowUs) * 2.2;
  return [countUntil(startUs, atUs - backUs, count), countUntil(startUs, atUs, count)];
}

function drawTiles(surface: Surface, layout: AirLayout, view: AirView, palette: Palette): void {
  const index = indexOf(view.record);
  const [from, to] = rowsInView(view);
  const isCrowded = to - from > NUMBERED_MAX;
  const place: TilePlace = { x: 0, y: 0, width: 0, phase: "gone", life: 0 };
  const colours = kindColours(palette);
  for (let kind = 0; kind < DATAGRAM_KINDS.length; kind++) {
    surface.fillStyle = colours[kind]!;
    drawKind(surface, layout, view, index, kind, from, to, place);
  }
  drawLosses(surface, layout, view, index, palette, from, to, place);
  if (!isCrowded) drawNumbers(surface, layout, view, index, palette, from, to, place);
}

function drawKind(
  surface: Surface,
  layout: AirLayout,
  view: AirView,
  index: RecordIndex,
  kind: number,
  from: number,
  to: number,
  place: TilePlace,
): void {
  const { kind: kinds } = view.record.datagrams;
  const name = DATAGRAM_KINDS[kind]!;
  let isAny = false;
  surface.beginPath();
  for (let row = from; row < to; row++) {
    if (kinds[row] !== kind) continue;
    placeOf(layout, view, index, row, place);
    if (place.phase !== "flying") continue;
    isAny = true;
    const isBack = index.isBack[row] === 1;
    traceMark(surface, name, place.x, place.y, place.width, layout.tileHeight, isBack);
  }
  if (isAny) surface.fill();
  for (let row = from; row < to; row++) {
    if (kinds[row] !== kind) continue;
    placeOf(layout, view, index, row, place);
    if (place.phase !== "dying") continue;
    // It falls, shrinks a little and fades.
    surface.globalAlpha = 1 - place.life;
    surface.beginPath();
    const shrink = 1 - place.life * 0.4;
    traceMark(
      surface,
      name,
      place.x,
      place.y + place.life * layout.fallPx,
      place.width * shrink,
      layout.tileHeight * shrink,
      index.isBack[row] === 1,
    );
    surface.fill();
  }
  surface.globalAlpha = 1;
}

/** A cross stays for a while where a datagram died; a damaged one gets a jagged line. */
function drawLosses(
  surface: Surface,
  layout: AirLayout,
  view: AirView,
  index: RecordIndex,
  palette: Palette,
  from: number,
  to: number,
  place: TilePlace,
): void {
  const { fate } = view.record.datagrams;
  surface.strokeStyle = palette.lost;
  surface.lineWidth = layout.tileHeight > 8 ? 2.5 : 1.5;
  surface.beginPath();
  const arm = Math.max(layout.tileHeight * 0.42, 2);
  for (let row = from; row < to; row++) {
    placeOf(layout, view, index, row, place);
    if (place.phase !== "dying") continue;
    traceCross(surface, place.x, place.y, arm);
    if (FATE_NAMES[fate[row]!] !== "corrupted") continue;
    surface.rect(place.x - arm * 1.5, place.y - arm * 1.5, arm * 3, arm * 3);
  }
  surface.stroke();
}

function drawNumbers(
  surface: Surface,
  layout: AirLayout,
  view: AirView,
  index: RecordIndex,
  palette: Palette,
  from: number,
  to: number,
  place: TilePlace,
): void {
  surface.font = `600 ${Math.min(layout.tileHeight * 0.72, 13)}px ${palette.font}`;
  surface.textAlign = "center";
  surface.textBaseline = "middle";
  for (let row = from; row < to; row++) {
    placeOf(layout, view, index, row, place);
    if (place.phase === "gone") continue;
    if (row === view.pickedRow) {
      surface.strokeStyle = palette.focus;
      surface.lineWidth = 2;
      surface.strokeRect(
        place.x - place.width / 2 - 4,
        place.y - layout.tileHeight / 2 - 4,
        place.width + 8,
        layout.tileHeight + 8,
      );
    }
    const fragment = index.fragment[row]!;
    if (fragment < 0 || place.phase === "dying" || layout.tileHeight < 12 || place.width < 24) {
      continue;
    }
    surface.fillStyle = palette.panel;
    surface.fillText(String(fragment + 1), place.x + place.width * 0.07, place.y + 0.5);
  }
}
