import { InvalidArgumentError } from "commander";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  byteCount,
  durationUs,
  parseDurationUs,
  parseShare,
  share,
  wholeNumber,
} from "./option-values.js";

describe("durationUs", () => {
  it.each([
    ["1us", 1],
    ["500ms", 500_000],
    ["1.5s", 1_500_000],
    ["30 s", 30_000_000],
    ["5min", 300_000_000],
    ["2h", 7_200_000_000],
    ["1d", 86_400_000_000],
  ])("reads %s", (text, us) => expect(durationUs(text)).toBe(us));

  it.each(["", "30", "s", "-1s", "1m", "1e3s", "0s", "0.0001us", "99999999999999d", "1 s 2"])(
    "refuses %j with an example",
    (text) => expect(() => durationUs(text)).toThrow(InvalidArgumentError),
  );

  it("needs a unit: nobody shall guess whether 30 means seconds", () => {
    expect(() => durationUs("30")).toThrow("500ms, 30s");
    expect(parseDurationUs("30")).toBeUndefined();
  });
});

describe("share", () => {
  it.each([
    ["0", 0],
    ["0.2", 0.2],
    [".5", 0.5],
    ["20%", 0.2],
    ["100%", 1],
    ["1", 1],
  ])("reads %s", (text, value) => expect(share(text)).toBeCloseTo(value, 12));

  it.each(["", "1.1", "-0.1", "101%", "a", "0.2.", "%"])("refuses %j", (text) => {
    expect(parseShare(text)).toBeUndefined();
    expect(() => share(text)).toThrow(InvalidArgumentError);
  });
});

describe("wholeNumber", () => {
  it("takes what is in its range, and nothing else", () => {
    const read = wholeNumber(1, 255);
    fc.assert(
      fc.property(fc.oneof(fc.integer({ min: -10, max: 300 }).map(String), fc.string()), (text) => {
        const isRight = /^\d+$/.test(text) && Number(text) >= 1 && Number(text) <= 255;
        if (isRight) expect(read(text)).toBe(Number(text));
        else expect(() => read(text)).toThrow("1 to 255");
      }),
    );
  });
});

describe("byteCount", () => {
  it.each([
    ["1", 1],
    ["64kB", 64_000],
    ["64 KiB", 65_536],
    ["1.5MiB", 1_572_864],
    ["2GB", 2_000_000_000],
  ])("reads %s", (text, bytes) => expect(byteCount(text)).toBe(bytes));

  it.each(["", "0", "-1", "1kb", "1 XB", "1constructor", "99999999GiB"])("refuses %j", (text) => {
    expect(() => byteCount(text)).toThrow(InvalidArgumentError);
  });
});
