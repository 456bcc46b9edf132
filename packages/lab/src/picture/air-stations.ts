import type { RunRecord } from "../run/record.js";
import { type FragmentCounts, fragmentCountsAt } from "../run/views.js";
import type { AirView } from "./air.js";
import type { AirLayout } from "./air-layout.js";
import type { Palette } from "./palette.js";
import { indexOf } from "./record-index.js";
import type { Surface } from "./surface.js";

/** The gateway: a mast along the left edge, since every board hears the same one. */
export function drawGateway(
  surface: Surface,
  layout: AirLayout,
  { stations }: RunRecord,
  palette: Palette,
): void {
  const left = layout.isNarrow ? 6 : 10;
  const width = layout.airLeft - left - 8;
  const height = layout.height - layout.top - layout.bottom - 4;
  surface.fillStyle = palette.paper;
  surface.fillRect(left, layout.top, width, height);
  surface.strokeStyle = palette.ink;
  surface.lineWidth = 1.5;
  surface.strokeRect(left, layout.top, width, height);
  // Its aerial.
  const x = left + width - 8;
  surface.beginPath();
  surface.moveTo(x, layout.top);
  surface.lineTo(x, 6);
  surface.moveTo(x - 5, 6);
  surface.lineTo(x, 12);
  surface.lineTo(x + 5, 6);
  surface.stroke();
  surface.fillStyle = palette.ink;
  surface.font = `600 ${layout.isNarrow ? 11 : 13}px ${palette.font}`;
  surface.textAlign = "center";
  surface.textBaseline = "middle";
  const name = stations[0]?.name ?? "gateway";
  // Where the mast is narrow, the word is broken.
  const lines = !layout.isNarrow
    ? [shortName(name, 10)]
    : name === "gateway"
      ? ["gate", "way"]
      : name.split(" ").map((word) => shortName(word, 6));
  for (const [index, text] of lines.entries()) {
    const y = layout.top + height / 2 + (index - (lines.length - 1) / 2) * 13;
    surface.fillText(text, left + width / 2, y);
  }
}

/** The end of a name that is too long: of an address it tells more than the beginning. */
export function shortName(name: string, charsMax: number): string {
  return name.length <= charsMax ? name : `…${name.slice(1 - charsMax)}`;
}

/** Each board with its name and how much of its blob is across. */
export function drawBoards(
  surface: Surface,
  layout: AirLayout,
  view: AirView,
  palette: Palette,
): void {
  const index = indexOf(view.record);
  const left = layout.airRight + 10;
  const right = layout.width - 10;
  const isTall = layout.laneHeight >= 30;
  const textPx = Math.min(Math.max(layout.laneHeight * 0.6, 8), 13);
  for (let board = 1; board <= layout.boards; board++) {
    const middle = layout.laneTop(board) + layout.laneHeight / 2;
    const isPicked = board === view.pickedBoard;
    drawPost(surface, left, middle, Math.min(layout.laneHeight * 0.3, 8), palette, isPicked);
    surface.fillStyle = palette.ink;
    surface.font = `${isPicked ? 700 : 400} ${textPx}px ${palette.font}`;
    surface.textAlign = "left";
    surface.textBaseline = "middle";
    const nameLeft = left + 12;
    surface.fillText(
      shortName(view.record.stations[board]?.name ?? `board ${board}`, layout.isNarrow ? 8 : 11),
      nameLeft,
      isTall ? middle - textPx * 0.6 : middle,
    );
    const barLeft = isTall ? nameLeft : nameLeft + (layout.isNarrow ? 40 : 56);
    const barTop = isTall ? middle + textPx * 0.45 : middle - Math.min(layout.laneHeight * 0.3, 5);
    const barHeight = Math.min(layout.laneHeight * 0.6, 10);
    const transfer = index.transfer[board] ?? -1;
    const total = view.record.transfers[transfer]?.fragmentCount;
    if (total === undefined) continue;
    fragmentCountsAt(view.record, transfer, view.atUs, counts);
    const arrived = counts.arrived / Math.max(total, 1);
    const known = counts.acknowledged / Math.max(total, 1);
    drawBar(surface, barLeft, barTop, right - barLeft, barHeight, arrived, known, palette);
    if (!isTall || layout.isNarrow) continue;
    surface.textAlign = "right";
    surface.font = `400 ${textPx - 1}px ${palette.font}`;
    surface.fillStyle = palette["ink-soft"];
    surface.fillText(`${counts.arrived} of ${total}`, right, middle - textPx * 0.6);
  }
}

/** Written anew for each board. */
const counts: FragmentCounts = { sent: 0, arrived: 0, acknowledged: 0 };

/** A row station: a post with a roof. */
function drawPost(
  surface: Surface,
  x: number,
  y: number,
  size: number,
  palette: Palette,
  isPicked: boolean,
): void {
  surface.beginPath();
  surface.moveTo(x - size * 0.7, y - size * 0.2);
  surface.lineTo(x, y - size);
  surface.lineTo(x + size * 0.7, y - size * 0.2);
  surface.rect(x - size * 0.15, y - size * 0.2, size * 0.3, size * 1.2);
  surface.fillStyle = isPicked ? palette.accent : palette.ink;
  surface.fill();
}

/** Arrived: filled pale. Known to the sender: filled full. */
function drawBar(
  surface: Surface,
  left: number,
  top: number,
  width: number,
  height: number,
  arrived: number,
  known: number,
  palette: Palette,
): void {
  surface.fillStyle = palette.paper;
  surface.fillRect(left, top, width, height);
  surface.fillStyle = palette.data;
  surface.globalAlpha = 0.45;
  surface.fillRect(left, top, width * arrived, height);
  surface.globalAlpha = 1;
  surface.fillRect(left, top, width * known, height);
  surface.strokeStyle = palette["ink-soft"];
  surface.lineWidth = 1;
  surface.strokeRect(left, top, width, height);
}
