import type { RunRecord } from "../run/record.js";
import type { Palette } from "./palette.js";
import type { Size, Surface } from "./surface.js";

/** The whole run behind the handle of time: how busy the air was, and where something was lost. */
export function drawOverview(
  surface: Surface,
  { width, height }: Size,
  records: readonly RunRecord[],
  endUs: number,
  palette: Palette,
): void {
  if (endUs <= 0) return;
  const lineHeight = height / Math.max(records.length, 1);
  for (const [line, record] of records.entries()) {
    const columns = columnsOf(record, Math.ceil(width), endUs);
    const bottom = (line + 1) * lineHeight - 1;
    surface.fillStyle = palette.ack;
    surface.globalAlpha = 0.55;
    for (let x = 0; x < columns.busy.length; x++) {
      const tall = Math.min(columns.busy[x]!, 1) * (lineHeight - 3);
      if (tall > 0) surface.fillRect(x, bottom - tall, 1, tall);
    }
    surface.globalAlpha = 1;
    surface.fillStyle = palette.lost;
    for (let x = 0; x < columns.lost.length; x++) {
      const tall = Math.min(columns.lost[x]!, 1) * (lineHeight - 3);
      if (tall > 0) surface.fillRect(x, bottom - tall, 1, tall);
    }
  }
}

/** For each column of pixels the share of its time that was on air, and that was lost. */
function columnsOf(
  { datagrams: { startUs, leftUs, fate, isCopy, count } }: RunRecord,
  width: number,
  endUs: number,
): { busy: Float32Array; lost: Float32Array } {
  const busy = new Float32Array(width);
  const lost = new Float32Array(width);
  const perUs = width / endUs;
  for (let row = 0; row < count; row++) {
    if (isCopy[row] === 1) continue;
    const share = (leftUs[row]! - startUs[row]!) * perUs;
    const isLost = fate[row] !== 0 && fate[row] !== 9;
    let x = startUs[row]! * perUs;
    let rest = share;
    // A datagram may lie over several columns.
    while (rest > 0) {
      const column = Math.min(Math.floor(x), width - 1);
      const part = Math.min(rest, Math.max(column + 1 - x, 1e-9));
      busy[column] = busy[column]! + part;
      if (isLost) lost[column] = lost[column]! + part;
      x += part;
      rest -= part;
      if (column === width - 1) break;
    }
  }
  return { busy, lost };
}
