import { DATAGRAM_KINDS } from "../run/record.js";
import type { AirView } from "./air.js";
import { type AirLayout, placeOf, type TilePlace } from "./air-layout.js";
import { indexOf } from "./record-index.js";

/** Steps in which a dying tile fades. */
export const FADING_STEPS = 8;

/** All tiles that are to be seen at one instant, in columns: there may be thousands. */
export interface Tiles {
  count: number;
  row: Uint32Array;
  x: Float32Array;
  y: Float32Array;
  width: Float32Array;
  /** Of a dying one, 0..1. */
  life: Float32Array;
  kind: Uint8Array;
  isBack: Uint8Array;
  /** 0: it flies; 1..{@link FADING_STEPS}: it dies, and so far. */
  fading: Uint8Array;
  /** How many there are of each kind. */
  readonly flying: Uint32Array;
  readonly dying: Uint32Array;
}

function makeTiles(room: number): Tiles {
  return {
    count: 0,
    row: new Uint32Array(room),
    x: new Float32Array(room),
    y: new Float32Array(room),
    width: new Float32Array(room),
    life: new Float32Array(room),
    kind: new Uint8Array(room),
    isBack: new Uint8Array(room),
    fading: new Uint8Array(room),
    flying: new Uint32Array(DATAGRAM_KINDS.length),
    dying: new Uint32Array(DATAGRAM_KINDS.length),
  };
}

/** Used for every frame of every picture: one is drawn at a time. */
let tiles = makeTiles(1_024);
const place: TilePlace = { x: 0, y: 0, width: 0, phase: "gone", life: 0 };

/**
 * Works out where all tiles of the rows `[from, to)` are.
 * @returns columns that hold until the next call
 */
export function placeTiles(layout: AirLayout, view: AirView, from: number, to: number): Tiles {
  if (tiles.row.length < to - from) tiles = makeTiles(Math.max(to - from, tiles.row.length * 2));
  const { kind } = view.record.datagrams;
  const index = indexOf(view.record);
  tiles.flying.fill(0);
  tiles.dying.fill(0);
  let count = 0;
  for (let row = from; row < to; row++) {
    placeOf(layout, view, index, row, place);
    if (place.phase === "gone") continue;
    const isDying = place.phase === "dying";
    tiles.row[count] = row;
    tiles.x[count] = place.x;
    tiles.y[count] = place.y;
    tiles.width[count] = place.width;
    tiles.life[count] = isDying ? place.life : 0;
    tiles.kind[count] = kind[row]!;
    tiles.isBack[count] = index.isBack[row]!;
    tiles.fading[count] = isDying
      ? 1 + Math.min(Math.floor(place.life * FADING_STEPS), FADING_STEPS - 1)
      : 0;
    const counts = isDying ? tiles.dying : tiles.flying;
    counts[kind[row]!] = counts[kind[row]!]! + 1;
    count++;
  }
  tiles.count = count;
  return tiles;
}
