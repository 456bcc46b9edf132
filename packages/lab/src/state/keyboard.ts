import { signal } from "@preact/signals";
import { isMeterShown } from "./frame-meter.js";
import { readKept, writeKept } from "./kept.js";
import { changeSpeed, endUs, jump, seek, stepDatagram, togglePlay } from "./playback.js";
import { page } from "./route.js";
import { panBy, showWhole, zoomBy } from "./span.js";

export const isKeyHelpOpen = signal(false);

/**
 * Whether single letters and signs are keys. Who dictates to the computer turns them off
 * (WCAG 2.1, 2.1.4); arrows, Space and the like stay.
 */
export const hasSingleKeys = signal(readKept("single-keys") !== "off");

export function setSingleKeys(isOn: boolean): void {
  hasSingleKeys.value = isOn;
  writeKept("single-keys", isOn ? "on" : "off");
}

const ACTIONS: Record<string, () => void> = {
  " ": togglePlay,
  ArrowLeft: () => stepDatagram(-1),
  ArrowRight: () => stepDatagram(1),
  PageUp: () => jump(-0.05),
  PageDown: () => jump(0.05),
  Home: () => seek(0),
  End: () => seek(endUs.value),
};

const SINGLE_KEYS: Record<string, () => void> = {
  "[": () => changeSpeed(-1),
  "]": () => changeSpeed(1),
  "+": () => zoomBy(0.6),
  "=": () => zoomBy(0.6),
  "-": () => zoomBy(1 / 0.6),
  "0": showWhole,
  ",": () => panBy(-0.25),
  ".": () => panBy(0.25),
  f: () => {
    isMeterShown.value = !isMeterShown.value;
  },
  "?": () => {
    isKeyHelpOpen.value = true;
  },
};

/** @returns what ends it */
export function watchKeys(): () => void {
  const onKey = (event: KeyboardEvent): void => {
    if (page.value !== "lab" || event.defaultPrevented) return;
    if (event.ctrlKey || event.metaKey || event.altKey || isTaken(event)) return;
    const action =
      ACTIONS[event.key] ??
      (hasSingleKeys.value ? SINGLE_KEYS[event.key.toLowerCase()] : undefined);
    if (action === undefined) return;
    event.preventDefault();
    action();
  };
  addEventListener("keydown", onKey);
  return () => removeEventListener("keydown", onKey);
}

/** Whether what has the focus needs the key itself: a field, an open dialog, a button for Space, a list to scroll. */
function isTaken({ key, target }: KeyboardEvent): boolean {
  if (!(target instanceof HTMLElement)) return false;
  if (target.closest("dialog, select, textarea") !== null) return true;
  // A slider has no use for Space, nor a box to tick for anything else.
  if (target instanceof HTMLInputElement) {
    return target.type === "range" ? key !== " " : target.type !== "checkbox" || key === " ";
  }
  if (key === " ") return target.closest("button, a, summary") !== null;
  const scrolls = target.tabIndex === 0 && target.scrollHeight > target.clientHeight + 1;
  return scrolls && target.closest("button, a") === null && key.length > 1;
}
