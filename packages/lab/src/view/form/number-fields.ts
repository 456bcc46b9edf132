import { presets } from "@fardel/lossy-link";
import type { LabSettings, LoadSettings, PresetName } from "../../run/settings.js";
import type { Term } from "../../words/terms.js";

/** One number of the settings: how it is named, shown, limited, read and written. */
export interface NumberField {
  readonly id: string;
  readonly label: string;
  readonly unit?: string;
  readonly min: number;
  readonly max: number;
  readonly step: number;
  /** Whether the slider goes by ratios: for what ranges over powers of ten. */
  readonly isLog?: boolean;
  readonly hint?: string;
  readonly term?: Term;
  readonly get: (settings: LabSettings) => number;
  readonly set: (settings: LabSettings, value: number) => LabSettings;
}

type NumberKey = {
  [Key in keyof LabSettings]: LabSettings[Key] extends number ? Key : never;
}[keyof LabSettings];

type Look = Omit<NumberField, "id" | "get" | "set">;

function plain(key: NumberKey, look: Look): NumberField {
  return {
    id: key,
    ...look,
    get: (settings) => settings[key],
    set: (settings, value) => ({ ...settings, [key]: value }),
  };
}

/** A share from 0 to 1 that people read as per cent. */
function share(key: NumberKey, look: Omit<Look, "unit" | "min" | "step">): NumberField {
  return {
    id: key,
    unit: "%",
    min: 0,
    step: 1,
    ...look,
    get: (settings) => Math.round(settings[key] * 10_000) / 100,
    set: (settings, value) => ({ ...settings, [key]: Math.round(value * 100) / 10_000 }),
  };
}

function ofLoad(key: "bytes" | "commandEveryS", look: Look): NumberField {
  return {
    id: key,
    ...look,
    get: ({ load }) => load[key],
    set: (settings, value) => ({
      ...settings,
      load: { ...settings.load, [key]: value } satisfies LoadSettings,
    }),
  };
}

export const LOSS = share("loss", { label: "Loss", max: 95, hint: "of datagrams, each way" });
export const BURST = plain("burst", {
  label: "Lost in a row",
  min: 1,
  max: 100,
  step: 1,
  hint: "on average; 1: each for itself",
  term: "burst",
});
export const DATAGRAM = plain("datagramBytes", {
  label: "Largest datagram",
  unit: "bytes",
  min: 20,
  max: 1_500,
  step: 1,
  term: "datagram",
});
export const RATE = plain("rateKbps", {
  label: "Bit rate",
  unit: "kbit/s",
  min: 0,
  max: 100_000,
  step: 1,
  isLog: true,
  hint: "0: that of the medium",
});
export const DISTANCE = plain("distanceM", {
  label: "Distance",
  unit: "m",
  min: 0,
  max: 1_000,
  step: 1,
  hint: "0: signal strength is left out",
  term: "rssi",
});
export const DUPLICATE = share("duplicate", { label: "Arrive twice", max: 50 });
export const REORDER = share("reorder", { label: "Arrive late", max: 50 });
export const CORRUPT = share("corrupt", { label: "Arrive damaged", max: 50 });
export const WINDOW = plain("window", {
  label: "Window",
  unit: "fragments",
  min: 1,
  max: 255,
  step: 1,
  isLog: true,
  term: "window",
});
export const BOARDS = plain("boards", { label: "Boards", min: 1, max: 50, step: 1 });
export const SEED = plain("seed", {
  label: "Seed",
  min: 1,
  max: 1_000_000_000,
  step: 1,
  term: "seed",
});
export const BYTES = ofLoad("bytes", {
  label: "Size",
  unit: "bytes",
  min: 0,
  max: 4_194_304,
  step: 1,
  isLog: true,
});
export const COMMAND_EVERY = ofLoad("commandEveryS", {
  label: "Urgent command every",
  unit: "s",
  min: 0,
  max: 10,
  step: 0.01,
  hint: "0: none",
});

/** The media, with what they are in words. */
export const MEDIA: Record<PresetName, string> = {
  reference: "250-byte frames at 1 Mbit/s (reference)",
  contention: "the same, with back-off, collisions and link acks",
  ieee802154: "IEEE 802.15.4, 102 bytes at 250 kbit/s",
  canFd: "CAN FD, 64 bytes",
  bleAtt: "LE attribute notifications, 20 bytes",
  ideal: "ideal: takes no time",
};

/** Another medium brings its own size of datagram and its own rate. */
export function withMedium(settings: LabSettings, preset: PresetName): LabSettings {
  return { ...settings, preset, datagramBytes: presets[preset]().mtuBytes, rateKbps: 0 };
}

/** A value as the field takes it: inside its limits, on its steps. `undefined`: not a number. */
export function accepted(field: NumberField, text: string): number | undefined {
  const value = Number(text);
  if (text.trim() === "" || !Number.isFinite(value)) return undefined;
  const stepped = Math.round(value / field.step) * field.step;
  return Math.min(Math.max(Number(stepped.toFixed(6)), field.min), field.max);
}

/** Where the slider stands for a value: 0..1,000. */
export function toSlider({ min, max, isLog }: NumberField, value: number): number {
  const share = isLog
    ? Math.log1p(value - min) / Math.log1p(max - min)
    : (value - min) / (max - min);
  return Math.round(share * 1_000);
}

export function fromSlider(field: NumberField, position: number): number {
  const { min, max, isLog } = field;
  const share = position / 1_000;
  const value = isLog ? min + Math.expm1(share * Math.log1p(max - min)) : min + share * (max - min);
  // Round figures where a pixel of the slider is more than a step; the ends are what they are.
  const isInside = position > 0 && position < 1_000;
  const rounded = isLog && isInside && value >= 100 ? Number(value.toPrecision(2)) : value;
  return accepted(field, String(rounded)) ?? min;
}
