import { computed, signal } from "@preact/signals";
import { transferOf } from "../picture/record-index.js";
import { tourSteps } from "../tour/steps.js";
import { shownRecords } from "./lab.js";
import { pause, seek } from "./playback.js";
import { pickDatagram, pickedBoard } from "./selection.js";
import { showWhole } from "./span.js";

/** Which stop is shown; `undefined`: no tour. */
export const tourAt = signal<number | undefined>(undefined);

export const steps = computed(() => {
  const first = shownRecords.value[0];
  if (first === undefined) return [];
  return tourSteps(first.record, transferOf(first.record, pickedBoard.value));
});

/** Goes to a stop: puts the clock there, and the part of the page into view. */
export function goTo(index: number): void {
  const step = steps.value[index];
  const side = shownRecords.value[0]?.side;
  if (step === undefined || side === undefined) return;
  tourAt.value = index;
  pause();
  showWhole();
  pickDatagram(side, undefined);
  seek(step.atUs);
  document.getElementById(step.place)?.scrollIntoView({ block: "nearest" });
}

export function startTour(): void {
  goTo(0);
}

export function endTour(): void {
  tourAt.value = undefined;
}
