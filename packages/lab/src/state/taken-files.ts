import { LOAD_RANGES } from "../run/defaults.js";
import { LabError } from "../run/lab-error.js";
import { recordFromCapture } from "../run/record-from-recording.js";
import { bytesText } from "../words/quantities.js";
import { announce } from "./announcer.js";
import { editedSide, file, isComparing, shownSides, sideA, tellTrouble } from "./lab.js";
import { restart } from "./playback.js";
import { change } from "./runs.js";
import { clampSelection } from "./selection.js";

/** A recording of more would not fit into a page with room to spare. */
const RECORDING_BYTES_MAX = 256 * 2 ** 20;

/** Takes the first of the files that were chosen or dropped: a recording is shown, another file is sent. */
export async function takeFiles(files: FileList | null): Promise<void> {
  const taken = files?.[0];
  if (taken === undefined) return;
  if (files !== null && files.length > 1) {
    tellTrouble(`Only one file at a time: ${taken.name} was taken, the others were left out.`);
  }
  const isRecording = /\.(pcapng|jsonl)$/i.test(taken.name);
  const bytesMax = isRecording ? RECORDING_BYTES_MAX : LOAD_RANGES.bytes.max;
  if (taken.size > bytesMax) {
    tellTrouble(
      `${taken.name} has ${bytesText(taken.size)}; the lab takes at most ${bytesText(bytesMax)}. Choose a smaller file.`,
    );
    return;
  }
  let bytes: Uint8Array;
  try {
    bytes = new Uint8Array(await taken.arrayBuffer());
  } catch {
    tellTrouble(`${taken.name} could not be read. Is it a file, and may the browser open it?`);
    return;
  }
  if (isRecording) showRecording(taken.name, bytes);
  else sendFile(taken.name, bytes);
}

function sendFile(name: string, bytes: Uint8Array): void {
  file.value = { name, bytes };
  for (const side of shownSides.value) {
    const { settings } = side;
    if (side !== editedSide.value && settings.value.load.source !== "file") continue;
    const load = { ...settings.value.load, source: "file", bytes: bytes.length } as const;
    change(side, { ...settings.value, load });
  }
  announce(`${name}, ${bytesText(bytes.length)}, is the blob now.`);
}

function showRecording(name: string, bytes: Uint8Array): void {
  let shown: ReturnType<typeof recordFromCapture>;
  try {
    shown = recordFromCapture(bytes);
  } catch (error) {
    if (!(error instanceof LabError)) throw error;
    tellTrouble(`${name}: ${error.message}`);
    return;
  }
  const { record, faults } = shown;
  tellTrouble(...faults.map((fault) => `${name}: ${fault}`));
  isComparing.value = false;
  sideA.show(record);
  clampSelection();
  restart();
  announce(`The recording ${name} is shown. ${record.ending}`);
}

/** Takes files that are dropped anywhere on the page. @returns what ends it */
export function watchDrops(target: HTMLElement): () => void {
  const hasFiles = (event: DragEvent): boolean =>
    event.dataTransfer?.types.includes("Files") ?? false;
  const onOver = (event: DragEvent): void => {
    if (!hasFiles(event)) return;
    event.preventDefault();
    target.classList.add("is-drop-target");
  };
  const onLeave = (event: DragEvent): void => {
    if (event.relatedTarget === null) target.classList.remove("is-drop-target");
  };
  const onDrop = (event: DragEvent): void => {
    target.classList.remove("is-drop-target");
    if (!hasFiles(event)) return;
    event.preventDefault();
    void takeFiles(event.dataTransfer?.files ?? null);
  };
  target.addEventListener("dragover", onOver);
  target.addEventListener("dragleave", onLeave);
  target.addEventListener("drop", onDrop);
  return () => {
    target.removeEventListener("dragover", onOver);
    target.removeEventListener("dragleave", onLeave);
    target.removeEventListener("drop", onDrop);
  };
}
