import { describe, expect, it } from "vitest";
import { COMMAND_BYTES, commandBody, commandNumber, frostTable, makeBlob } from "./blob.js";
import { DEFAULT_SETTINGS } from "./defaults.js";

describe("the frost table", () => {
  it("says first of all that it is invented, and has the size that is asked for", () => {
    for (const bytes of [0, 1, 100, 12_000, 300_000]) {
      expect(frostTable(bytes)).toHaveLength(bytes);
    }
    const lines = new TextDecoder().decode(frostTable(12_000)).split("\n");
    expect(lines[0]).toContain("Invented");
    expect(lines[2]).toMatch(/^R01,S1,(-?\d+\.\d\d,){4}\d+$/);
    expect(frostTable(12_000)).toEqual(frostTable(13_000).subarray(0, 12_000));
  });
});

describe("made-up bytes", () => {
  it("are the same for the same seed", () => {
    const load = { ...DEFAULT_SETTINGS.load, source: "bytes", bytes: 1_000 } as const;
    expect(makeBlob(load, 3)).toEqual(makeBlob(load, 3));
    expect(makeBlob(load, 3)).not.toEqual(makeBlob(load, 4));
    expect(new Set(makeBlob(load, 3)).size).toBeGreaterThan(200);
  });
});

describe("a command", () => {
  it("tells its number again", () => {
    for (const number of [0, 7, 123_456]) {
      expect(commandBody(number)).toHaveLength(COMMAND_BYTES);
      expect(commandNumber(commandBody(number))).toBe(number);
    }
  });
});
