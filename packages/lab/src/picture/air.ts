import { DATAGRAM_KINDS, type DatagramKind, FATE_NAMES, type RunRecord } from "../run/record.js";
import { countUntil, momentsOf } from "../run/views.js";
import type { AirLayout } from "./air-layout.js";
import { drawBoards, drawGateway } from "./air-stations.js";
import { FADING_STEPS, placeTiles, type Tiles } from "./air-tiles.js";
import { kindColours, traceCross, traceHatch, traceMark } from "./marks.js";
import type { Palette } from "./palette.js";
import { indexOf } from "./record-index.js";
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
/** Smaller ones, and more of them, have no line around: it would cost more than all the rest. */
const OUTLINED_PX = 8;
const OUTLINED_MAX = 400;
const RECTANGULAR: readonly DatagramKind[] = ["data", "other"];

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
  drawGateway(surface, layout, view.record, palette);
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
  const [from, to] = rowsInView(view);
  const tiles = placeTiles(layout, view, from, to);
  const colours = kindColours(palette);
  surface.strokeStyle = palette.panel;
  surface.lineWidth = 1.5;
  for (let kind = 0; kind < DATAGRAM_KINDS.length; kind++) {
    surface.fillStyle = colours[kind]!;
    drawFlying(surface, layout, tiles, kind);
    drawDying(surface, layout, tiles, kind);
  }
  surface.globalAlpha = 1;
  drawLosses(surface, layout, view, tiles, palette);
  if (to - from <= NUMBERED_MAX) drawNumbers(surface, layout, view, tiles, palette);
}

function drawFlying(surface: Surface, layout: AirLayout, tiles: Tiles, kind: number): void {
  if (tiles.flying[kind] === 0) return;
  surface.globalAlpha = 1;
  const isOutlined = layout.tileHeight > OUTLINED_PX && tiles.count <= OUTLINED_MAX;
  if (!isOutlined && RECTANGULAR.includes(DATAGRAM_KINDS[kind]!)) {
    fillSmall(surface, layout, tiles, kind);
    return;
  }
  surface.beginPath();
  for (let tile = 0; tile < tiles.count; tile++) {
    if (tiles.kind[tile] === kind && tiles.fading[tile] === 0) trace(surface, layout, tiles, tile);
  }
  surface.fill();
  // A line around each, so that a row of them does not run together.
  if (isOutlined) surface.stroke();
}

/** Thousands of rectangles are drawn faster one by one than as one path. */
function fillSmall(surface: Surface, layout: AirLayout, tiles: Tiles, kind: number): void {
  const height = DATAGRAM_KINDS[kind] === "other" ? layout.tileHeight / 2 : layout.tileHeight;
  for (let tile = 0; tile < tiles.count; tile++) {
    if (tiles.kind[tile] !== kind || tiles.fading[tile] !== 0) continue;
    const width = tiles.width[tile]!;
    surface.fillRect(tiles.x[tile]! - width / 2, tiles.y[tile]! - height / 2, width, height);
  }
}

/** They fall, shrink a little and fade, in so few steps that each step is drawn in one go. */
function drawDying(surface: Surface, layout: AirLayout, tiles: Tiles, kind: number): void {
  if (tiles.dying[kind] === 0) return;
  for (let step = 1; step <= FADING_STEPS; step++) {
    surface.globalAlpha = 1 - (step - 0.5) / FADING_STEPS;
    surface.beginPath();
    for (let tile = 0; tile < tiles.count; tile++) {
      if (tiles.kind[tile] === kind && tiles.fading[tile] === step) {
        trace(surface, layout, tiles, tile);
      }
    }
    surface.fill();
  }
}

function trace(surface: Surface, layout: AirLayout, tiles: Tiles, tile: number): void {
  const life = tiles.life[tile]!;
  const shrink = 1 - life * 0.4;
  traceMark(
    surface,
    DATAGRAM_KINDS[tiles.kind[tile]!]!,
    tiles.x[tile]!,
    tiles.y[tile]! + life * layout.fallPx,
    tiles.width[tile]! * shrink,
    layout.tileHeight * shrink,
    tiles.isBack[tile] === 1,
  );
}

/** A cross stays for a while where a datagram died; a damaged one has a frame around it. */
function drawLosses(
  surface: Surface,
  layout: AirLayout,
  view: AirView,
  tiles: Tiles,
  palette: Palette,
): void {
  const { fate } = view.record.datagrams;
  surface.strokeStyle = palette.lost;
  surface.lineWidth = layout.tileHeight > 8 ? 2.5 : 1.5;
  surface.beginPath();
  const arm = Math.max(layout.tileHeight * 0.42, 2);
  for (let tile = 0; tile < tiles.count; tile++) {
    if (tiles.fading[tile] === 0) continue;
    const x = tiles.x[tile]!;
    const y = tiles.y[tile]!;
    traceCross(surface, x, y, arm);
    if (FATE_NAMES[fate[tiles.row[tile]!]!] !== "corrupted") continue;
    surface.rect(x - arm * 1.5, y - arm * 1.5, arm * 3, arm * 3);
  }
  surface.stroke();
}

function drawNumbers(
  surface: Surface,
  layout: AirLayout,
  view: AirView,
  tiles: Tiles,
  palette: Palette,
): void {
  const { fragment } = indexOf(view.record);
  surface.font = `600 ${Math.min(layout.tileHeight * 0.72, 13)}px ${palette.font}`;
  surface.textAlign = "center";
  surface.textBaseline = "middle";
  for (let tile = 0; tile < tiles.count; tile++) {
    const x = tiles.x[tile]!;
    const y = tiles.y[tile]!;
    const width = tiles.width[tile]!;
    if (tiles.row[tile] === view.pickedRow) {
      surface.strokeStyle = palette.focus;
      surface.lineWidth = 2;
      const top = y - layout.tileHeight / 2 - 4;
      surface.strokeRect(x - width / 2 - 4, top, width + 8, layout.tileHeight + 8);
    }
    const carried = fragment[tiles.row[tile]!]!;
    if (carried < 0 || tiles.fading[tile] !== 0 || layout.tileHeight < 12 || width < 24) continue;
    surface.fillStyle = palette.panel;
    surface.fillText(String(carried + 1), x + width * 0.07, y + 0.5);
  }
}
