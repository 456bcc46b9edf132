import { chartToSvg } from "../charts/echarts.js";
import { offerFile, svgToPng } from "../export/files.js";
import { runPictures } from "../export/run-sheet.js";
import { sheetToSvg } from "../export/sheet.js";
import { recordToCapture } from "../run/capture-export.js";
import { recordToJson } from "../run/export-json.js";
import { timeText } from "../words/quantities.js";
import { announce } from "./announcer.js";
import { shownRecords, tellTrouble } from "./lab.js";
import { GLOW_S, timeUs, usPerS } from "./playback.js";
import { withInstant } from "./runs.js";
import { pickedBoard } from "./selection.js";
import type { Side } from "./side.js";
import { span } from "./span.js";
import { palette } from "./theme.js";

/** What can be saved. */
export const FORMATS = [
  { key: "png", name: "Picture (PNG)", words: "the pictures and charts as they are now" },
  { key: "svg", name: "Picture (SVG)", words: "the same, to be enlarged and edited" },
  { key: "json", name: "Run (JSON)", words: "everything about the run; RECORD.md describes it" },
  { key: "pcapng", name: "Capture (pcapng)", words: "every datagram, for fardel trace and others" },
] as const;
export type Format = (typeof FORMATS)[number]["key"];

/** Saves what is shown; of two settings each record is a file of its own. */
export async function save(format: Format): Promise<void> {
  try {
    if (format === "png" || format === "svg") await savePicture(format);
    else {
      for (const shown of shownRecords.value) saveRecord(format, shown.side);
    }
    announce("The file is saved where downloads go.");
  } catch (error) {
    const why = error instanceof Error ? error.message : String(error);
    tellTrouble(`The file could not be made: ${why}.`);
  }
}

function saveRecord(format: "json" | "pcapng", side: Side): void {
  const record = side.record.value;
  if (record === undefined) return;
  const name = fileName(format, side);
  if (format === "json") {
    offerFile(name, new Blob([...recordToJson(record)], { type: "application/json" }));
    return;
  }
  // A copy that certainly has a plain buffer, as a Blob wants it.
  const bytes = Uint8Array.from(recordToCapture(record));
  offerFile(name, new Blob([bytes], { type: "application/octet-stream" }));
}

async function savePicture(format: "png" | "svg"): Promise<void> {
  const sheet = pictureSheet();
  const content =
    format === "svg"
      ? new Blob([sheet.svg], { type: "image/svg+xml" })
      : await svgToPng(sheet.svg, sheet);
  offerFile(fileName(format, undefined), content);
}

/** The sheet that is saved as a picture. */
export function pictureSheet(): ReturnType<typeof sheetToSvg> {
  const shown = shownRecords.value;
  const view = {
    runs: shown.map(({ side, record }) => ({ name: shown.length > 1 ? side.name : "", record })),
    atUs: timeUs.value,
    glowUs: usPerS.value * GLOW_S,
    pickedBoard: pickedBoard.value,
    span: span.value,
  };
  const endings = view.runs.map(({ record }) => record.ending).join(" · ");
  const words = `At ${timeText(timeUs.value)}. ${endings} Simulated; invented data.`;
  const pictures = runPictures(view, palette.value);
  return sheetToSvg("Fardel lab", words, pictures, palette.value, chartToSvg);
}

function fileName(format: Format, side: Side | undefined): string {
  const { seed } = shownRecords.value[0]?.side.settings.value ?? { seed: 0 };
  const which = side === undefined || shownRecords.value.length < 2 ? "" : `-${side.name}`;
  return `fardel-lab-seed-${seed}${which}.${format}`;
}

/** Puts the address of this run on the clipboard. @returns the address if that was refused */
export async function copyLink(isOfInstant: boolean): Promise<string | undefined> {
  const link = new URL(location.href);
  link.hash = withInstant(isOfInstant ? timeUs.value : undefined);
  // A gateway's token opens its live view: it is not to be passed on with a picture.
  link.searchParams.delete("token");
  try {
    await navigator.clipboard.writeText(link.href);
    announce("The link is copied.");
    return undefined;
  } catch {
    return link.href;
  }
}
