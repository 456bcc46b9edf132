import type { AirView } from "./air.js";
import type { RecordIndex } from "./record-index.js";
import type { Size } from "./surface.js";

/** Where everything of the picture of the air stands, pixels. */
export interface AirLayout extends Size {
  readonly boards: number;
  readonly isNarrow: boolean;
  readonly top: number;
  readonly bottom: number;
  /** The air between the gateway and the boards. */
  readonly airLeft: number;
  readonly airRight: number;
  readonly laneHeight: number;
  readonly tileHeight: number;
  /** How far a lost datagram falls. */
  readonly fallPx: number;
  laneTop(board: number): number;
  /** The line on which datagrams travel: out to the board above, back below. */
  trackY(board: number, isBack: boolean): number;
}

/** Height that so many boards need. */
export function airHeight(boards: number): number {
  if (boards <= 1) return 190;
  return Math.min(Math.max(90 + boards * 44, 230), Math.max(420, 60 + boards * 13));
}

export function layoutAir({ width, height }: Size, boards: number): AirLayout {
  const isNarrow = width < 430;
  const top = 24;
  const bottom = 6;
  const laneHeight = (height - top - bottom) / Math.max(boards, 1);
  const tileHeight = Math.min(Math.max(laneHeight * 0.27, 3), 22);
  const laneTop = (board: number): number => top + (board - 1) * laneHeight;
  return {
    width,
    height,
    boards,
    isNarrow,
    top,
    bottom,
    airLeft: isNarrow ? 46 : 86,
    airRight: width - (isNarrow ? 96 : 190),
    laneHeight,
    tileHeight,
    fallPx: Math.min(Math.max(laneHeight * 0.4, 6), 34),
    laneTop,
    trackY: (board, isBack) =>
      laneTop(board) + laneHeight / 2 + (isBack ? 1 : -1) * Math.min(laneHeight * 0.22, 34),
  };
}

export type TilePhase = "flying" | "dying" | "gone";

/** Where one tile is; written anew for each, so that a frame of the picture makes no garbage. */
export interface TilePlace {
  x: number;
  y: number;
  width: number;
  phase: TilePhase;
  /** Of a dying one, 0..1. */
  life: number;
}

/** Works out where the datagram of a row is at the time of the view. */
export function placeOf(
  layout: AirLayout,
  view: AirView,
  index: RecordIndex,
  row: number,
  place: TilePlace,
): void {
  const { startUs, leftUs, arrivedUs, fate, byteFrom } = view.record.datagrams;
  const isDead = fate[row] !== 0 && fate[row] !== PENDING;
  const arrival = arrivedUs[row]!;
  const endUs = Number.isNaN(arrival) ? leftUs[row]! : arrival;
  const travelUs = Math.max(endUs - startUs[row]!, view.glowUs);
  const passed = (view.atUs - startUs[row]!) / travelUs;
  // A damaged one gets there, and is thrown away; others die at a place that only looks random.
  const reach = isDead ? (fate[row] === CORRUPTED ? 1 : 0.3 + 0.5 * scatter(row)) : 1;
  const board = index.lane[row]!;
  const isBack = index.isBack[row] === 1;
  const share = Math.min(passed, reach);
  const span = layout.airRight - layout.airLeft;
  const bytes = byteFrom[row + 1]! - byteFrom[row]!;
  const full = Math.min(Math.max(layout.tileHeight * 2.6, 5), span * 0.2);
  place.width = Math.max(full * (0.25 + 0.75 * (bytes / index.largestBytes)), 3);
  const room = span - place.width;
  place.x = layout.airLeft + place.width / 2 + room * (isBack ? 1 - share : share);
  place.y = layout.trackY(board, isBack);
  place.life = isDead ? Math.max(0, passed - reach) / 1.1 : 0;
  place.phase =
    passed < 0 ? "gone" : passed <= reach ? "flying" : isDead && place.life < 1 ? "dying" : "gone";
}

const CORRUPTED = 1;
const PENDING = 9;

/** 0..1 from a row, always the same: a picture must not differ from one frame to the next. */
function scatter(row: number): number {
  const mixed = Math.imul(row ^ (row >>> 7), 0x9e3779b1) >>> 0;
  return (mixed % 1_000) / 1_000;
}

/** The datagram under a point, or -1. The one on top wins. */
export function rowAtPoint(
  layout: AirLayout,
  view: AirView,
  index: RecordIndex,
  [from, to]: readonly [number, number],
  x: number,
  y: number,
): number {
  const place: TilePlace = { x: 0, y: 0, width: 0, phase: "gone", life: 0 };
  for (let row = to - 1; row >= from; row--) {
    placeOf(layout, view, index, row, place);
    if (place.phase === "gone") continue;
    // A finger needs more room than a tile may have.
    const reachX = Math.max(place.width / 2, 12);
    const reachY = Math.max(layout.tileHeight / 2, Math.min(layout.laneHeight / 4, 12));
    if (Math.abs(x - place.x) <= reachX && Math.abs(y - place.y) <= reachY) return row;
  }
  return -1;
}

/** The board whose lane or name is under a point, or -1. */
export function boardAtPoint(layout: AirLayout, y: number): number {
  const board = 1 + Math.floor((y - layout.top) / layout.laneHeight);
  return board >= 1 && board <= layout.boards ? board : -1;
}
