import { DEFAULT_CONFIG } from "@fardel/core";
import { presets } from "@fardel/lossy-link";
import { LabError } from "./lab-error.js";
import type { LabSettings, PresetName } from "./settings.js";

/** What the page begins with: one board, a fifth of all datagrams lost, a window of 16. */
export const DEFAULT_SETTINGS: LabSettings = {
  seed: 1,
  boards: 1,
  preset: "reference",
  datagramBytes: 250,
  rateKbps: 0,
  loss: 0.2,
  burst: 1,
  distanceM: 0,
  duplicate: 0,
  reorder: 0,
  corrupt: 0,
  outagesS: [],
  window: 16,
  load: { direction: "push", source: "table", bytes: 12_000, commandEveryS: 0 },
};

/** All values that a setting can have, in words and for a check. */
export interface Range {
  readonly min: number;
  readonly max: number;
  readonly isWhole: boolean;
  /** As a person would say it: `the number of boards`. */
  readonly words: string;
}

const whole = (min: number, max: number, words: string): Range => ({
  min,
  max,
  isWhole: true,
  words,
});
const any = (min: number, max: number, words: string): Range => ({
  min,
  max,
  isWhole: false,
  words,
});

export const RANGES = {
  seed: whole(1, 1_000_000_000, "the seed"),
  boards: whole(1, 50, "the number of boards"),
  datagramBytes: whole(20, 1_500, "the largest datagram in bytes"),
  rateKbps: any(0, 100_000, "the rate in kbit/s"),
  loss: any(0, 0.95, "the share of datagrams lost"),
  burst: any(1, 100, "the number of datagrams lost in a row"),
  distanceM: any(0, 1_000, "the distance in metres"),
  duplicate: any(0, 0.5, "the share of datagrams that arrive twice"),
  reorder: any(0, 0.5, "the share of datagrams that arrive late"),
  corrupt: any(0, 0.5, "the share of datagrams that are damaged"),
  window: whole(1, 255, "the window in fragments"),
} as const satisfies Partial<Record<keyof LabSettings, Range>>;

export const LOAD_RANGES = {
  bytes: whole(0, 4 * 1024 * 1024, "the size of the blob in bytes"),
  commandEveryS: any(0, 3_600, "the time between two commands in seconds"),
} as const;

/** A rate below this is none at all: 0 means that of the preset. */
const RATE_KBPS_MIN = 1;
/** Faster than this, the commands alone would fill every link. */
const COMMAND_EVERY_S_MIN = 0.001;

export const OUTAGES_MAX = 20;
export const OUTAGE_S_MAX = 3_600;

export const PRESET_NAMES = Object.keys(presets) as readonly PresetName[];
export const DIRECTIONS = ["push", "collect"] as const;
export const SOURCES = ["table", "file", "bytes"] as const;

/** @returns what is wrong with a number, as a sentence; `undefined`: nothing */
export function faultOf(range: Range, value: number): string | undefined {
  const { min, max, isWhole, words } = range;
  const isRight = value >= min && value <= max && (!isWhole || Number.isInteger(value));
  if (isRight && !isNearlyZero(range, value)) return undefined;
  const kind = isWhole ? "a whole number" : "a number";
  const least = leastAboveZero(range);
  const from = least === undefined ? `from ${min}` : `0, or from ${least}`;
  return `${sentenceCase(words)} must be ${kind} ${from} to ${max}, not ${value}.`;
}

/** Whether an interval of an outage can be taken. */
export function isOutage(fromS: number, toS: number): boolean {
  return fromS >= 0 && toS > fromS && toS <= OUTAGE_S_MAX;
}

/**
 * Everything that is wrong with settings, as sentences. Empty: they can be run.
 */
export function settingsFaults(settings: LabSettings): string[] {
  const faults: (string | undefined)[] = [];
  for (const [name, range] of Object.entries(RANGES)) {
    faults.push(faultOf(range, settings[name as keyof typeof RANGES]));
  }
  faults.push(faultOf(LOAD_RANGES.bytes, settings.load.bytes));
  faults.push(faultOf(LOAD_RANGES.commandEveryS, settings.load.commandEveryS));
  if (!PRESET_NAMES.includes(settings.preset))
    faults.push(`There is no medium ${settings.preset}; choose one of ${PRESET_NAMES.join(", ")}.`);
  if (settings.outagesS.length > OUTAGES_MAX)
    faults.push(`There can be ${OUTAGES_MAX} outages, not ${settings.outagesS.length}.`);
  for (const [fromS, toS] of settings.outagesS) {
    if (!isOutage(fromS, toS)) faults.push(outageFault(`${fromS} to ${toS}`));
  }
  return faults.filter((fault) => fault !== undefined);
}

export function outageFault(what: string): string {
  return `An outage must end after it begins, between 0 and ${OUTAGE_S_MAX} s, not ${what}.`;
}

/** @throws LabError `bad-settings` */
export function checkSettings(settings: LabSettings): void {
  const [fault] = settingsFaults(settings);
  if (fault !== undefined) throw new LabError("bad-settings", fault);
}

/** Limits of an endpoint that can hold `messages` of this size, where the defaults cannot. */
export function limitsFor(bytes: number, messages: number) {
  const messageBytesMax = Math.max(DEFAULT_CONFIG.messageBytesMax, bytes);
  const peerBytesMax = Math.max(DEFAULT_CONFIG.peerBytesMax, 2 * messageBytesMax);
  return {
    messageBytesMax,
    peerBytesMax,
    totalBytesMax: Math.max(DEFAULT_CONFIG.totalBytesMax, messages * peerBytesMax),
    sendQueueBytesMax: Math.max(DEFAULT_CONFIG.sendQueueBytesMax, 2 * messageBytesMax),
  };
}

function leastAboveZero(range: Range): number | undefined {
  if (range === RANGES.rateKbps) return RATE_KBPS_MIN;
  return range === LOAD_RANGES.commandEveryS ? COMMAND_EVERY_S_MIN : undefined;
}

function isNearlyZero(range: Range, value: number): boolean {
  return value > 0 && value < (leastAboveZero(range) ?? 0);
}

function sentenceCase(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}
