import { goodputOption } from "../charts/goodput.js";
import { sequenceOption } from "../charts/sequence.js";
import { drawAir } from "../picture/air.js";
import { airHeight, layoutAir } from "../picture/air-layout.js";
import { cellsHeight, drawCells } from "../picture/cells.js";
import type { Palette } from "../picture/palette.js";
import { transferOf } from "../picture/record-index.js";
import { drawStrip } from "../picture/strip.js";
import { stripHeight, type TimeSpan } from "../picture/strip-layout.js";
import type { RunRecord } from "../run/record.js";
import { timeText } from "../words/quantities.js";
import type { SheetPicture } from "./sheet.js";

/** What stands on the page now. */
export interface SheetView {
  /** Names are empty if there is only one. */
  readonly runs: readonly { readonly name: string; readonly record: RunRecord }[];
  readonly atUs: number;
  readonly glowUs: number;
  readonly pickedBoard: number;
  readonly span: TimeSpan;
}

const WIDTH = 960;

/** The pictures of the page as they are now, for a file. */
export function runPictures(view: SheetView, palette: Palette): SheetPicture[] {
  const { runs, span } = view;
  return [
    ...runs.flatMap(({ name, record }) => pictureOfRun(name, record, view, palette)),
    {
      title: "Goodput against the limit",
      width: WIDTH,
      height: 280,
      draw: { chart: goodputOption(runs, span, palette, false) },
    },
  ];
}

function pictureOfRun(
  name: string,
  record: RunRecord,
  view: SheetView,
  palette: Palette,
): SheetPicture[] {
  const { atUs, glowUs, pickedBoard, span } = view;
  const boards = record.stations.length - 1;
  const title = (text: string): string => (name === "" ? text : `Setting ${name}. ${text}`);
  const air = { width: WIDTH, height: airHeight(boards) };
  const strip = { width: WIDTH, height: stripHeight(boards) };
  const airView = { record, atUs, glowUs, pickedBoard, pickedRow: -1 };
  return [
    {
      title: title(`The air at ${timeText(atUs)}`),
      ...air,
      draw: { on: (surface) => drawAir(surface, layoutAir(air, boards), airView, palette) },
    },
    ...blobPictures(title, record, view, palette),
    {
      title: title("Every datagram of the run"),
      ...strip,
      draw: { on: (surface) => drawStrip(surface, strip, record, span, palette) },
    },
  ];
}

function blobPictures(
  title: (text: string) => string,
  record: RunRecord,
  { atUs, pickedBoard, span }: SheetView,
  palette: Palette,
): SheetPicture[] {
  const transfer = transferOf(record, pickedBoard);
  if (transfer === undefined) return [];
  const board = record.stations[pickedBoard]?.name ?? "the board";
  const cells = { width: WIDTH, height: cellsHeight(WIDTH, transfer.fragmentCount) };
  const states = new Uint8Array(transfer.fragmentCount);
  return [
    {
      title: title(`The blob of ${board} at ${timeText(atUs)}`),
      ...cells,
      draw: {
        on: (surface) => {
          drawCells(surface, cells, { record, transfer, atUs, states }, palette);
        },
      },
    },
    {
      title: title(`Fragment against time, ${board}`),
      width: WIDTH,
      height: 320,
      draw: { chart: sequenceOption(record, transfer, span, palette, false) },
    },
  ];
}
