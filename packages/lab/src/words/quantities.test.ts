import { describe, expect, it } from "vitest";
import { bytesText, counted, rateText, shareText, spokenTime, timeText } from "./quantities.js";

describe("numbers in words", () => {
  it.each([
    [0, "0 µs"],
    [812, "812 µs"],
    [12_400, "12.4 ms"],
    [182_000, "0.182 s"],
    [12_340_000, "12.3 s"],
    [119_700_000, "2 min 0 s"],
    [Number.NaN, "never"],
  ])("%d µs: %s", (us, text) => expect(timeText(us)).toBe(text));

  it("are spoken in whole words", () => {
    expect(spokenTime(12_400)).toBe("12.4 milliseconds");
    expect(spokenTime(1_234_567)).toBe("1.235 seconds");
  });

  it.each([
    [1, "1 byte"],
    [250, "250 bytes"],
    [12_000, "12.0 kB"],
    [999_990, "1.00 MB"],
  ])("%d: %s", (bytes, text) => expect(bytesText(bytes)).toBe(text));

  it("say what has no limit", () =>
    expect(rateText(Number.POSITIVE_INFINITY)).toBe("without limit"));

  it.each([
    [0, "0 %"],
    [0.042, "4.2 %"],
    [0.96, "96 %"],
    [Number.NaN, "none"],
  ])("%d: %s", (share, text) => expect(shareText(share)).toBe(text));

  it("know one from many", () => {
    expect(counted(1, "board")).toBe("1 board");
    expect(counted(1_200, "fragment")).toBe("1,200 fragments");
  });
});
