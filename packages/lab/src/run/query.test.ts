import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  DEFAULT_SETTINGS,
  DIRECTIONS,
  LOAD_RANGES,
  OUTAGES_MAX,
  PRESET_NAMES,
  RANGES,
  type Range,
  SOURCES,
  settingsFaults,
} from "./defaults.js";
import { EXAMPLES } from "./examples.js";
import { SETTINGS_KEYS, settingsFromQuery, settingsToQuery } from "./query.js";
import type { LabSettings } from "./settings.js";

function within({ min, max, isWhole }: Range): fc.Arbitrary<number> {
  // 0 is allowed where what comes above it has a least value.
  const least = min === 0 && max > 1 ? 1 : min;
  const any = isWhole
    ? fc.integer({ min: least, max })
    : fc.double({ min: least, max, noNaN: true });
  return fc.oneof(fc.constantFrom(min, max), any);
}

const outage = fc
  .tuple(
    fc.double({ min: 0, max: 3_599, noNaN: true }),
    fc.double({ min: 1e-6, max: 1, noNaN: true }),
  )
  .map(([from, length]): [number, number] => [Math.abs(from), from + length])
  .filter(([from, to]) => to > from);

const settings: fc.Arbitrary<LabSettings> = fc.record({
  seed: within(RANGES.seed),
  boards: within(RANGES.boards),
  preset: fc.constantFrom(...PRESET_NAMES),
  datagramBytes: within(RANGES.datagramBytes),
  rateKbps: within(RANGES.rateKbps),
  loss: fc.oneof(fc.constantFrom(0, 0.1, 1e-7), within(RANGES.loss)).map(Math.abs),
  burst: within(RANGES.burst),
  distanceM: within(RANGES.distanceM),
  duplicate: within(RANGES.duplicate).map(Math.abs),
  reorder: within(RANGES.reorder).map(Math.abs),
  corrupt: within(RANGES.corrupt).map(Math.abs),
  outagesS: fc.array(outage, { maxLength: OUTAGES_MAX }),
  window: within(RANGES.window),
  load: fc.record({
    direction: fc.constantFrom(...DIRECTIONS),
    source: fc.constantFrom(...SOURCES),
    bytes: within(LOAD_RANGES.bytes),
    commandEveryS: within(LOAD_RANGES.commandEveryS),
  }),
});

describe("settings in an address", () => {
  it("come back as they were", () => {
    fc.assert(
      fc.property(settings, (each) => {
        const query = settingsToQuery(each);
        expect(settingsFromQuery(query)).toEqual({ settings: each, faults: [] });
        expect(settingsFromQuery(`?${query}&token=abc`).settings).toEqual(each);
      }),
    );
  });

  it("need no escapes, and only their own keys", () => {
    fc.assert(
      fc.property(settings, (each) => {
        const query = settingsToQuery(each);
        // What RFC 3986 allows in a query as it is.
        expect(query).toMatch(/^[A-Za-z0-9._~=&+-]*$/);
        for (const [key] of new URLSearchParams(query)) expect(SETTINGS_KEYS).toContain(key);
      }),
    );
  });

  it("are left out where they are the usual ones", () => {
    expect(settingsToQuery(DEFAULT_SETTINGS)).toBe("");
    expect(settingsFromQuery("")).toEqual({ settings: DEFAULT_SETTINGS, faults: [] });
    const other: LabSettings = {
      ...DEFAULT_SETTINGS,
      loss: 0.3,
      outagesS: [
        [0.08, 0.33],
        [1, 2],
      ],
    };
    expect(settingsToQuery(other)).toBe("loss=0.3&outages=0.08-0.33~1-2");
  });

  it("hold all examples", () => {
    for (const example of EXAMPLES) {
      const { settings: read, faults } = settingsFromQuery(settingsToQuery(example.settings));
      expect(read).toEqual(example.settings);
      expect(faults).toEqual([]);
      expect(settingsFaults(read)).toEqual([]);
    }
  });

  it("are never more than can be run, whatever stands there", () => {
    const value = fc.oneof(
      fc.string(),
      fc.double().map(String),
      fc.constantFrom(
        "-1",
        "1e999",
        "0x10",
        "NaN",
        " 5",
        "1,5",
        "1-",
        "-",
        "1-2~",
        "5-1",
        "1e-3-2",
      ),
    );
    const query = fc
      .array(fc.tuple(fc.constantFrom(...SETTINGS_KEYS, "x"), value))
      .map((pairs) => pairs.map(([key, text]) => `${key}=${encodeURIComponent(text)}`).join("&"));
    fc.assert(
      fc.property(fc.oneof(query, fc.string()), (text) => {
        const { settings: read, faults } = settingsFromQuery(text);
        expect(settingsFaults(read)).toEqual([]);
        for (const fault of faults) expect(fault).toMatch(/^(In the|The) address.*\.$/s);
        for (const fault of faults) expect(fault.length).toBeLessThan(250);
      }),
      { numRuns: 500 },
    );
  });

  it("say what is wrong with each value, and take the usual one", () => {
    const { settings: read, faults } = settingsFromQuery(
      "loss=2&boards=three&medium=string&outages=3-1~1-2&window=16.5&rate=0.2",
    );
    expect(read).toEqual({ ...DEFAULT_SETTINGS, outagesS: [[1, 2]] });
    expect(faults).toEqual([
      'In the address, boards: "three" is no number. 1 is taken instead.',
      "In the address, rate: The rate in kbit/s must be a number 0, or from 1 to 100000, not 0.2. 0 is taken instead.",
      "In the address, loss: The share of datagrams lost must be a number from 0 to 0.95, not 2. 0.2 is taken instead.",
      "In the address, window: The window in fragments must be a whole number from 1 to 255, not 16.5. 16 is taken instead.",
      'In the address, medium: "string" is none of reference, contention, ieee802154, canFd, bleAtt, ideal. reference is taken instead.',
      'In the address, outages: An outage must end after it begins, between 0 and 3600 s, not "3-1".',
    ]);
  });

  it("are numbers only where a number stands", () => {
    for (const text of ["0x10", " 5", "+5", "-0", "1_0", "1e", ".5", "", "Infinity"]) {
      const { settings: read, faults } = settingsFromQuery(`window=${encodeURIComponent(text)}`);
      expect({ text, window: read.window, faults: faults.length }).toEqual({
        text,
        window: DEFAULT_SETTINGS.window,
        faults: 1,
      });
    }
  });

  it("are cut where an address is endless", () => {
    const { faults } = settingsFromQuery(`outages=${"1-2~".repeat(100_000)}`);
    expect(faults).toHaveLength(2);
    expect(faults[0]).toContain("4000 characters");
    expect(faults[1]).toContain("20 outages");
  });
});
