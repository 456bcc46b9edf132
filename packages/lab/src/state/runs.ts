import { batch, effect, untracked } from "@preact/signals";
import { settingsFromQuery, settingsToQuery } from "../run/query.js";
import type { LabSettings } from "../run/settings.js";
import { announce } from "./announcer.js";
import { comparisonFromQuery, comparisonToQuery } from "./comparison-query.js";
import { file, isComparing, shownSides, sideA, sideB, tellTrouble } from "./lab.js";
import { pause, restart, seek } from "./playback.js";
import { query, replaceQuery } from "./route.js";
import { clampSelection } from "./selection.js";
import type { Side } from "./side.js";
import { clearSweep } from "./sweep.js";

/** After the last change of a setting: long enough to drag a slider through, short enough to feel live. */
const SETTLE_MS = 450;

let timer: ReturnType<typeof setTimeout> | undefined;

/** Runs the sides that are shown, now. */
export async function runNow(sides: readonly Side[] = shownSides.value): Promise<void> {
  clearTimeout(timer);
  writeAddress();
  const came = await Promise.all(sides.map((side) => side.run(file.value?.bytes)));
  if (!came.some(Boolean)) return;
  batch(() => {
    clampSelection();
    clearSweep();
    if (instantUs === undefined) restart();
    else {
      pause();
      seek(instantUs);
    }
    instantUs = undefined;
  });
  announce(
    sides
      .map((side) => {
        const ending = side.record.value?.ending ?? "";
        return sides.length > 1
          ? `Setting ${side.name}: ${ending}`
          : `The run has ended. ${ending}`;
      })
      .join(" "),
  );
}

const waiting = new Set<Side>();

/** Changes a side's settings; the run follows when the person has come to rest. */
export function change(side: Side, settings: LabSettings): void {
  side.settings.value = settings;
  waiting.add(side);
  // A comparison is one on the same seed.
  const other = side === sideA ? sideB : sideA;
  if (isComparing.value && other.settings.value.seed !== settings.seed) {
    other.settings.value = { ...other.settings.value, seed: settings.seed };
    waiting.add(other);
  }
  scheduleRun();
}

export function scheduleRun(): void {
  clearTimeout(timer);
  timer = setTimeout(() => {
    const sides = shownSides.value.filter((side) => waiting.has(side));
    waiting.clear();
    void runNow(sides.length === 0 ? shownSides.value : sides);
  }, SETTLE_MS);
}

/** Puts a second setting beside the first, to begin with the same one; or takes it away. */
export function compare(isWanted: boolean): void {
  if (isWanted && !isComparing.value) {
    sideB.settings.value = sideA.settings.value;
    sideB.record.value = sideA.record.value;
  }
  isComparing.value = isWanted;
  writeAddress();
}

/** What the address says of the settings. */
function settingsText(): string {
  return comparisonToQuery(
    settingsToQuery(sideA.settings.peek()),
    isComparing.peek() ? settingsToQuery(sideB.settings.peek()) : undefined,
  );
}

function writeAddress(): void {
  replaceQuery(settingsText());
}

/** Key of the instant in an address that points to one, seconds. */
const INSTANT_KEY = "at";

/** Where the clock is put when the run that the address asks for is there. */
let instantUs: number | undefined;

/** The hash of an address for this run. @param atUs - where its clock is to stand */
export function withInstant(atUs: number | undefined): string {
  const at = atUs === undefined ? "" : `${INSTANT_KEY}=${Number((atUs / 1_000_000).toFixed(6))}`;
  const text = [settingsText(), at].filter((part) => part !== "").join("&");
  return text === "" ? "#lab" : `#lab?${text}`;
}

function instantIn(text: string): number | undefined {
  const seconds = new URLSearchParams(text).get(INSTANT_KEY);
  const us = Number(seconds ?? Number.NaN) * 1_000_000;
  return us >= 0 && Number.isFinite(us) ? us : undefined;
}

/** Takes the settings from the address: at the start, and when it is changed by hand. */
export function followAddress(): () => void {
  return effect(() => {
    const text = query.value;
    // What follows writes to the address itself, so it must not depend on it.
    untracked(() => takeAddress(text));
  });
}

function takeAddress(text: string): void {
  if (isSameAddress(text)) return;
  const { a, b } = comparisonFromQuery(text);
  const first = settingsFromQuery(a);
  const second = b === undefined ? undefined : settingsFromQuery(b);
  instantUs = instantIn(text);
  batch(() => {
    sideA.settings.value = first.settings;
    if (second !== undefined) {
      sideB.settings.value = { ...second.settings, seed: first.settings.seed };
    }
    isComparing.value = second !== undefined;
    tellTrouble(...first.faults, ...(second?.faults ?? []).map((fault) => `Setting B: ${fault}`));
  });
  queueMicrotask(() => void runNow());
}

let isStarted = false;

/** Whether the address says what is set anyway: it was written by the page itself. */
function isSameAddress(text: string): boolean {
  if (!isStarted) {
    isStarted = true;
    return false;
  }
  return settingsText() === text;
}
