import { computed, effect, signal } from "@preact/signals";
import { panned, type TimeSpan, zoomed } from "../picture/strip-layout.js";
import { endUs, timeUs } from "./playback.js";

/** What the person zoomed to; `undefined`: the whole run. */
const chosen = signal<TimeSpan | undefined>(undefined);

export const wholeEndUs = endUs;

/** What of the run the strip and the charts show. */
export const span = computed<TimeSpan>(
  () => chosen.value ?? { fromUs: 0, toUs: Math.max(endUs.value, 1) },
);

/** The same when it has come to rest: charts cost more to draw than can be done in every frame. */
export const calmSpan = signal<TimeSpan>(span.peek());

const REST_MS = 120;

effect(() => {
  const wanted = span.value;
  const timer = setTimeout(() => {
    calmSpan.value = wanted;
  }, REST_MS);
  return () => clearTimeout(timer);
});

export const isZoomed = computed(() => chosen.value !== undefined);

export function setSpan(wanted: TimeSpan): void {
  const isWhole = wanted.toUs - wanted.fromUs >= endUs.value * 0.999;
  chosen.value = isWhole ? undefined : wanted;
}

export function showWhole(): void {
  chosen.value = undefined;
}

/** Closer or further, around the present instant if it is in view. @param factor - below 1: closer */
export function zoomBy(factor: number): void {
  const { fromUs, toUs } = span.value;
  const now = timeUs.value;
  const around = now >= fromUs && now <= toUs ? now : (fromUs + toUs) / 2;
  setSpan(zoomed(span.value, around, factor, endUs.value));
}

/** @param share - of what is in view, -1..1 */
export function panBy(share: number): void {
  const { fromUs, toUs } = span.value;
  setSpan(panned(span.value, (toUs - fromUs) * share, endUs.value));
}
