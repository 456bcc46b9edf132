import { computed, effect, signal } from "@preact/signals";
import type { RunRecord } from "../run/record.js";
import { nextStartUs, previousStartUs } from "../run/views.js";
import { noteDrawing, noteFrame } from "./frame-meter.js";
import { shownRecords } from "./lab.js";
import { wantsLessMotion } from "./theme.js";

/** `fit`: the whole run in twenty seconds, however long it is. */
export const SPEEDS = [
  { key: "fit", words: "run in 20 s", factor: undefined },
  { key: "0.001", words: "0.001 ×", factor: 0.001 },
  { key: "0.003", words: "0.003 ×", factor: 0.003 },
  { key: "0.01", words: "0.01 ×", factor: 0.01 },
  { key: "0.03", words: "0.03 ×", factor: 0.03 },
  { key: "0.1", words: "0.1 ×", factor: 0.1 },
  { key: "0.3", words: "0.3 ×", factor: 0.3 },
  { key: "1", words: "1 × (as on air)", factor: 1 },
] as const;
export type SpeedKey = (typeof SPEEDS)[number]["key"];

const FIT_S = 20;
/** However fast the run is played, a datagram is to be seen for so long, seconds of the person's. */
export const GLOW_S = 0.22;

/** Where the one clock of the page stands, microseconds from the start of the run. */
export const timeUs = signal(0);
/** The same a few times a second: for what is costly to lay out, and for text that a person reads. */
export const calmTimeUs = signal(0);
export const isPlaying = signal(false);
export const speedKey = signal<SpeedKey>("fit");

/** When the longest of the runs that are shown ends. */
export const endUs = computed(() =>
  shownRecords.value.reduce((latest, { record }) => Math.max(latest, record.endUs), 0),
);

/** Microseconds of the run that pass in a second of the person's. */
export const usPerS = computed(() => {
  const speed = SPEEDS.find(({ key }) => key === speedKey.value);
  return speed?.factor === undefined ? Math.max(endUs.value / FIT_S, 1) : speed.factor * 1_000_000;
});

const CALM_MS = 200;
let calmAtMs = 0;
let lastMs: number | undefined;

export function seek(us: number): void {
  timeUs.value = Math.min(Math.max(us, 0), endUs.value);
}

export function play(): void {
  if (endUs.value === 0) return;
  if (timeUs.value >= endUs.value) timeUs.value = 0;
  isPlaying.value = true;
}

export function pause(): void {
  isPlaying.value = false;
}

export function togglePlay(): void {
  if (isPlaying.value) pause();
  else play();
}

/** To the start of the next datagram, or of the one before. */
export function stepDatagram(direction: 1 | -1): void {
  pause();
  const at = timeUs.value;
  const records = shownRecords.value.map(({ record }) => record);
  seek(
    direction === 1
      ? Math.min(endUs.value, ...records.map((record) => nextOf(record, at)))
      : Math.max(0, ...records.map((record) => previousStartUs(record, at))),
  );
}

/** Of two runs the shorter one has no next datagram long before the other has ended. */
function nextOf(record: RunRecord, atUs: number): number {
  const nextUs = nextStartUs(record, atUs);
  return nextUs > atUs ? nextUs : Number.POSITIVE_INFINITY;
}

/** @param share - of the whole run, -1..1 */
export function jump(share: number): void {
  seek(timeUs.value + share * endUs.value);
}

export function changeSpeed(steps: number): void {
  const at = SPEEDS.findIndex(({ key }) => key === speedKey.value);
  const next = SPEEDS[Math.min(Math.max(at + steps, 0), SPEEDS.length - 1)];
  if (next !== undefined) speedKey.value = next.key;
}

/** Starts the clock of the page: moves the time on at each frame while it plays. */
export function runClock(): void {
  effect(() => {
    const exact = timeUs.value;
    if (!isPlaying.value) calmTimeUs.value = exact;
  });
  effect(() => {
    if (isPlaying.value) {
      lastMs = undefined;
      requestAnimationFrame(onFrame);
    }
  });
}

function onFrame(nowMs: number): void {
  if (!isPlaying.value) return;
  const beganMs = performance.now();
  const passedMs = lastMs === undefined ? 0 : nowMs - lastMs;
  if (lastMs !== undefined) noteFrame(passedMs);
  lastMs = nowMs;
  // After a pause of the browser itself (another tab in front) the run goes on where it stood.
  seek(timeUs.value + (Math.min(passedMs, 250) / 1_000) * usPerS.value);
  if (nowMs - calmAtMs > CALM_MS) {
    calmAtMs = nowMs;
    calmTimeUs.value = timeUs.value;
  }
  if (timeUs.value >= endUs.value) isPlaying.value = false;
  else requestAnimationFrame(onFrame);
  noteDrawing(performance.now() - beganMs);
}

/** From the start again, as after a new run. Whoever wants less motion starts it by hand. */
export function restart(): void {
  timeUs.value = 0;
  if (wantsLessMotion.value) pause();
  else play();
}
