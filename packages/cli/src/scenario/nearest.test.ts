import { describe, expect, it } from "vitest";
import { editDistance, nearestName } from "./nearest.js";

const KNOWN = ["preset", "mtuBytes", "loss", "burst", "burstMs"];

describe("the edit distance", () => {
  it.each([
    // The usual textbook examples.
    ["kitten", "sitting", 3],
    ["saturday", "sunday", 3],
    ["", "abc", 3],
    ["same", "same", 0],
  ])("from %s to %s is %i", (one, other, distance) => {
    expect(editDistance(one, other)).toBe(distance);
    expect(editDistance(other, one)).toBe(distance);
  });
});

describe("the nearest name", () => {
  it.each([
    ["los", "loss"],
    ["LOSS", "loss"],
    ["mtubytes", "mtuBytes"],
    ["mtuByte", "mtuBytes"],
    ["bursts", "burst"],
    ["presset", "preset"],
  ])("to %s is %s", (given, meant) => {
    expect(nearestName(given, KNOWN)).toBe(meant);
  });

  it.each(["", "x", "distance", "l".repeat(100_000)])("to %s is none", (given) => {
    expect(nearestName(given, KNOWN)).toBeUndefined();
  });
});
