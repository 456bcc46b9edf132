import {
  DEFAULT_SETTINGS,
  DIRECTIONS,
  faultOf,
  isOutage,
  LOAD_RANGES,
  OUTAGES_MAX,
  outageFault,
  PRESET_NAMES,
  RANGES,
  type Range,
  SOURCES,
} from "./defaults.js";
import type { LabSettings, LoadSettings } from "./settings.js";

/** Names in the address of the page. What is not there is as in {@link DEFAULT_SETTINGS}. */
const NUMBER_KEYS = {
  seed: "seed",
  boards: "boards",
  datagramBytes: "datagram",
  rateKbps: "rate",
  loss: "loss",
  burst: "burst",
  distanceM: "distance",
  duplicate: "duplicate",
  reorder: "reorder",
  corrupt: "corrupt",
  window: "window",
} as const satisfies Record<keyof typeof RANGES, string>;

const LOAD_NUMBER_KEYS = {
  bytes: "bytes",
  commandEveryS: "command",
} as const satisfies Record<keyof typeof LOAD_RANGES, string>;

const PRESET_KEY = "medium";
const OUTAGES_KEY = "outages";
const DIRECTION_KEY = "direction";
const SOURCE_KEY = "source";

/** Every key that settings may have in an address; others are not theirs. */
export const SETTINGS_KEYS: readonly string[] = [
  ...Object.values(NUMBER_KEYS),
  ...Object.values(LOAD_NUMBER_KEYS),
  PRESET_KEY,
  OUTAGES_KEY,
  DIRECTION_KEY,
  SOURCE_KEY,
];

/** Characters of an address that are looked at. */
const QUERY_CHARS_MAX = 4_000;
/** Characters of a value that a sentence repeats. */
const QUOTED_CHARS_MAX = 24;

/**
 * The settings as they stand in an address, without `?`: only what differs from the defaults, so
 * that the address of the defaults is empty. Outages are `from-to`, seconds, with `~` between two.
 */
export function settingsToQuery(settings: LabSettings): string {
  const pairs: string[] = [];
  const add = (key: string, value: string, usual: string) => {
    if (value !== usual) pairs.push(`${key}=${value}`);
  };
  for (const [name, key] of entriesOf(NUMBER_KEYS)) {
    add(key, String(settings[name]), String(DEFAULT_SETTINGS[name]));
  }
  add(PRESET_KEY, settings.preset, DEFAULT_SETTINGS.preset);
  add(OUTAGES_KEY, outagesText(settings), outagesText(DEFAULT_SETTINGS));
  for (const [name, key] of entriesOf(LOAD_NUMBER_KEYS)) {
    add(key, String(settings.load[name]), String(DEFAULT_SETTINGS.load[name]));
  }
  add(DIRECTION_KEY, settings.load.direction, DEFAULT_SETTINGS.load.direction);
  add(SOURCE_KEY, settings.load.source, DEFAULT_SETTINGS.load.source);
  return pairs.join("&");
}

/**
 * Reads an address. Keys that are not of settings are passed over.
 * @param query - with or without `?`; any text
 * @returns settings that can be run, and a sentence for each value that could not be taken and was
 *   replaced by the usual one
 */
export function settingsFromQuery(query: string): { settings: LabSettings; faults: string[] } {
  const faults: string[] = [];
  if (query.length > QUERY_CHARS_MAX) {
    faults.push(`The address is longer than ${QUERY_CHARS_MAX} characters: its end was left out.`);
  }
  const given = new URLSearchParams(query.slice(0, QUERY_CHARS_MAX));
  const reader = new QueryReader(given, faults);
  const numbers = reader.numbers();
  const load = DEFAULT_SETTINGS.load;
  const readLoad: LoadSettings = {
    direction: reader.word(DIRECTION_KEY, DIRECTIONS, load.direction),
    source: reader.word(SOURCE_KEY, SOURCES, load.source),
    bytes: reader.number(LOAD_NUMBER_KEYS.bytes, LOAD_RANGES.bytes, load.bytes),
    commandEveryS: reader.number(
      LOAD_NUMBER_KEYS.commandEveryS,
      LOAD_RANGES.commandEveryS,
      load.commandEveryS,
    ),
  };
  const preset = reader.word(PRESET_KEY, PRESET_NAMES, DEFAULT_SETTINGS.preset);
  const outagesS = reader.outages(OUTAGES_KEY);
  return { settings: { ...numbers, preset, outagesS, load: readLoad }, faults };
}

/** Takes values out of an address, and says what is wrong with them. */
class QueryReader {
  constructor(
    readonly given: URLSearchParams,
    readonly faults: string[],
  ) {}

  /** All that are not of the load. */
  numbers(): Record<keyof typeof RANGES, number> {
    const read = entriesOf(NUMBER_KEYS).map(([name, key]) => [
      name,
      this.number(key, RANGES[name], DEFAULT_SETTINGS[name]),
    ]);
    // Each name has its entry; `fromEntries` forgets them.
    return Object.fromEntries(read) as Record<keyof typeof RANGES, number>;
  }

  number(key: string, range: Range, usual: number): number {
    const text = this.given.get(key);
    if (text === null) return usual;
    // No signs, no spaces, nothing hexadecimal: what `String` writes of a number that is not negative.
    const value = /^\d+(\.\d+)?(e[+-]?\d+)?$/.test(text) ? Number(text) : Number.NaN;
    const fault = Number.isNaN(value) ? `${quoted(text)} is no number.` : faultOf(range, value);
    if (fault === undefined) return value;
    return this.#refuse(key, fault, usual, String(usual));
  }

  word<T extends string>(key: string, words: readonly T[], usual: T): T {
    const text = this.given.get(key);
    if (text === null) return usual;
    const found = words.find((word) => word === text);
    if (found !== undefined) return found;
    const fault = `${quoted(text)} is none of ${words.join(", ")}.`;
    return this.#refuse(key, fault, usual, usual);
  }

  outages(key: string): [number, number][] {
    const text = this.given.get(key);
    if (text === null || text === "") return [];
    const outages: [number, number][] = [];
    for (const part of text.split("~", OUTAGES_MAX + 1)) {
      const match = /^(\d+(?:\.\d+)?(?:e-?\d+)?)-(\d+(?:\.\d+)?(?:e-?\d+)?)$/.exec(part);
      const interval: [number, number] = [Number(match?.[1]), Number(match?.[2])];
      if (outages.length === OUTAGES_MAX) {
        this.faults.push(`In the address, ${key}: there can be ${OUTAGES_MAX} outages, no more.`);
      } else if (match !== null && isOutage(...interval)) outages.push(interval);
      else this.faults.push(`In the address, ${key}: ${outageFault(quoted(part))}`);
    }
    return outages;
  }

  #refuse<T>(key: string, fault: string, usual: T, shown: string): T {
    this.faults.push(`In the address, ${key}: ${fault} ${shown} is taken instead.`);
    return usual;
  }
}

function outagesText({ outagesS }: LabSettings): string {
  return outagesS.map(([fromS, toS]) => `${fromS}-${toS}`).join("~");
}

/** `Object.entries`, which forgets what the keys are called. */
function entriesOf<K extends string, V>(object: Readonly<Record<K, V>>): [K, V][] {
  return Object.entries(object) as [K, V][];
}

function quoted(text: string): string {
  const short = text.length > QUOTED_CHARS_MAX ? `${text.slice(0, QUOTED_CHARS_MAX)}…` : text;
  return JSON.stringify(short);
}
