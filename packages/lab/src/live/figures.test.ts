import { describe, expect, it } from "vitest";
import { ago, byteRate, byteSize, count, counted, duration, elapsed, percent } from "./figures.js";
import { signalWords } from "./signal-words.js";

describe("figures", () => {
  it.each([
    [count(12_458), "12,458"],
    [counted(1, "peer"), "1 peer"],
    [counted(0, "peer"), "0 peers"],
    [byteSize(1), "1 byte"],
    [byteSize(999), "999 bytes"],
    [byteSize(16_384), "16.4 kB"],
    [byteSize(2_000_000), "2 MB"],
    [byteRate(0), "0 B/s"],
    [byteRate(84_200), "84.2 kB/s"],
    [duration(0), "0 s"],
    [duration(840), "0.84 ms"],
    [duration(12_400), "12.4 ms"],
    [duration(3_070_000), "3.07 s"],
    [duration(252e6), "4 min 12 s"],
    [duration(7500e6), "2 h 5 min"],
    [elapsed(3_900_000), "3 s"],
    [elapsed(119.9e6), "119 s"],
    [elapsed(125e6), "2 min 5 s"],
    [ago(400_000), "just now"],
    [ago(4_000_000), "4 s ago"],
    [percent(0.198), "19.8 %"],
  ])("%s", (shown, expected) => {
    expect(shown).toBe(expected);
  });
});

describe("signalWords", () => {
  it.each([
    [-30, "strong", 4],
    [-60, "strong", 4],
    [-61, "good", 3],
    [-76, "weak", 2],
    [-100, "faint", 1],
  ])("%d dBm", (rssiDbm, word, bars) => {
    expect(signalWords(rssiDbm)).toEqual({ word, bars });
  });
});
