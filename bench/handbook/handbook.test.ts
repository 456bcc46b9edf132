import { beforeAll, describe, expect, it } from "vitest";
import type { Row } from "../benchmark.js";
import {
  attemptsPercentile,
  badShare,
  burstChannel,
  burstShare,
  goBackN,
  meanLoss,
  roundsOfSelectiveRepeat,
  selectiveRepeat,
  stopAndWait,
} from "./formulas.js";
import { handbook } from "./handbook.js";

describe("formulas of the textbooks", () => {
  it("of repeating, at P = 0.001 and a = 10, and at P = 0.2 and a = 2 (worked out)", () => {
    expect(stopAndWait(10, 0.001)).toBeCloseTo(0.0476, 4);
    expect(goBackN(7, 10, 0.001)).toBeCloseTo(0.331, 4);
    expect(selectiveRepeat(7, 10, 0.001)).toBeCloseTo(0.333, 4);
    expect(goBackN(127, 10, 0.001)).toBeCloseTo(0.9794, 4);
    expect(selectiveRepeat(127, 10, 0.001)).toBeCloseTo(0.999, 4);
    expect(stopAndWait(2, 0.2)).toBeCloseTo(0.16, 3);
    expect(goBackN(7, 2, 0.2)).toBeCloseTo(0.444, 3);
    expect(selectiveRepeat(7, 2, 0.2)).toBeCloseTo(0.8, 3);
  });

  it("of the worked examples: 0.00027, 0.476, 3.85 % and a window of 26 that is full", () => {
    expect(stopAndWait(30_000 / 2 / 8, 0)).toBeCloseTo(0.00027, 5);
    expect(selectiveRepeat(10, 10, 0)).toBeCloseTo(0.476, 3);
    expect(stopAndWait(250 / 20, 0)).toBeCloseTo(0.0385, 4);
    expect(selectiveRepeat(26, 250 / 20, 0)).toBe(1);
    expect(selectiveRepeat(25, 250 / 20, 0)).toBeLessThan(1);
  });

  it("of bursts: 7.407 % bad with bursts of 4, 20 % with bursts of 5 (Gilbert 1960, Elliott 1963)", () => {
    const always = { lossGood: 0, lossBad: 1 };
    expect(badShare({ goodToBad: 0.02, badToGood: 0.25, ...always })).toBeCloseTo(0.07407, 5);
    expect(badShare({ goodToBad: 0.05, badToGood: 0.2, ...always })).toBeCloseTo(0.2, 10);
    const leaky = { goodToBad: 0.05, badToGood: 0.2, lossGood: 0.02, lossBad: 0.6 };
    expect(meanLoss(leaky)).toBeCloseTo(0.136, 10);
    for (const burst of [4, 5, 20]) {
      const channel = burstChannel(0.2, burst);
      expect([meanLoss(channel), 1 / channel.badToGood]).toEqual([
        expect.closeTo(0.2, 10),
        expect.closeTo(burst, 10),
      ]);
      const lengths = Array.from({ length: 2000 }, (_, i) => i + 1);
      const mean = lengths.reduce((sum, n) => sum + n * burstShare(1 / burst, n), 0);
      expect(mean).toBeCloseTo(burst, 6);
    }
  });

  it("of rounds: 1.981 and 2.542 at 0.1, 4.19 and 5.68 at 0.4, for 16 and 64 frames (computed)", () => {
    expect(roundsOfSelectiveRepeat(16, 0.1)).toBeCloseTo(1.981, 3);
    expect(roundsOfSelectiveRepeat(64, 0.1)).toBeCloseTo(2.542, 3);
    expect(roundsOfSelectiveRepeat(16, 0.4)).toBeCloseTo(4.19, 2);
    expect(roundsOfSelectiveRepeat(64, 0.4)).toBeCloseTo(5.68, 2);
    expect(roundsOfSelectiveRepeat(1, 0.4)).toBeCloseTo(1 / 0.6, 9);
    expect(roundsOfSelectiveRepeat(16, 0)).toBe(1);
  });

  it("of attempts: 99th and 99.9th percentile 2/3 (p ≤ 0.1), 3/5, 4/6, 6/8 (computed)", () => {
    const both = [0.05, 0.1, 0.2, 0.3, 0.4].map((p) => [
      attemptsPercentile(p, 0.99),
      attemptsPercentile(p, 0.999),
    ]);
    expect(both).toEqual([
      [2, 3],
      [2, 3],
      [3, 5],
      [4, 6],
      [6, 8],
    ]);
    // On paper 0.3² is just the 9 % that are allowed.
    expect(attemptsPercentile(0.3, 0.91)).toBe(2);
    expect(attemptsPercentile(0, 0.99)).toBe(1);
  });
});

describe("handbook", () => {
  const SEEDS = 10;
  const rows: Row[] = [];
  const of = (part: string) => rows.filter((row) => row.part === part);
  beforeAll(async () => {
    for await (const row of handbook.run({ seeds: SEEDS, scale: 1 })) rows.push(row);
  });

  it("has a row for each comparison", () => {
    const counts = [
      "utilisation",
      "worked",
      "bursts",
      "burst efficiency",
      "rounds",
      "first contact",
    ];
    expect(counts.map((part) => of(part).length)).toEqual([60, 4, 18, 28, 8, 12]);
    expect(rows).toHaveLength(130);
  });

  it("never finds a line used more than the formula allows", () => {
    for (const { measured, formula, loss, window, runs } of [
      ...of("utilisation"),
      ...of("worked"),
    ]) {
      // Four deviations of the number of losses, and one ack more or less in what was timed.
      const frames = { 1: 80, 8: 320, 64: 800 }[Number(window)] ?? 1600;
      const noise = 4 * Math.sqrt(Number(loss) / (frames * Number(runs))) + 0.01;
      expect(Number(measured)).toBeLessThan(Number(formula) * (1 + noise));
    }
  });

  it("comes close to the formula where its assumptions hold", () => {
    const lossless = [...of("utilisation"), ...of("worked")].filter(({ loss }) => loss === 0);
    for (const { window, a, measured, formula } of lossless) {
      if (Number(window) > 1 && Number(a) > 2) continue;
      expect(Number(measured) / Number(formula)).toBeGreaterThan(0.93);
    }
    const adjacent = of("utilisation").filter(({ window, a }) => window === 64 && a === 0);
    expect(adjacent).toHaveLength(5);
    for (const { measured, formula } of adjacent)
      expect(Number(measured) / Number(formula)).toBeGreaterThan(0.97);
  });

  it("finds the bursts that the formulas say, within four deviations", () => {
    const datagrams = SEEDS * 10_000;
    for (const { what, measured, formula, burst } of of("bursts")) {
      const expected = Number(formula);
      // Neighbours are alike: that widens the deviation of a share by √(2 burst) at most.
      const alike = 2 * Number(burst ?? 10);
      const bursts = (datagrams * 0.07) / Number(burst ?? 10);
      const sigma = {
        "mean burst": expected / Math.sqrt(bursts),
        "mean loss": Math.sqrt((expected * alike) / datagrams),
        "share of datagrams in bad": Math.sqrt((expected * alike) / datagrams),
        "share of time in bad": Math.sqrt((expected * alike) / datagrams),
      }[String(what)];
      const deviation = sigma ?? Math.sqrt((expected * (1 - expected)) / bursts);
      expect(Math.abs(Number(measured) - expected), `${what}`).toBeLessThan(4 * deviation);
    }
  });

  it("never delivers more than the channel lets through", () => {
    for (const { measured, formula, loss, burst, runs } of of("burst efficiency")) {
      const p = Number(loss);
      const sent = Number(runs) * 600;
      const noise = (4 * Math.sqrt((p * 2 * Number(burst)) / sent)) / (1 - p);
      expect(Number(measured)).toBeLessThan(Number(formula) * (1 + noise));
    }
  });

  it("gives no message up where losses are independent or end by themselves", () => {
    for (const { what, failed } of of("burst efficiency")) {
      if (what !== "bursts by datagrams") expect(failed).toBe(0);
    }
  });

  it("needs the rounds and the sends that repeating only what is lost needs", () => {
    for (const { what, measured, formula } of of("rounds")) {
      const slack = String(what).startsWith("sends of the worst") ? 0.3 : 0.1;
      expect(Math.abs(Number(measured) / Number(formula) - 1), `${what}`).toBeLessThan(slack);
    }
  });

  it("reaches a new board in as many attempts as a single datagram needs", () => {
    for (const { what, loss, runs, measured, formula } of of("first contact")) {
      if (what !== "mean") continue;
      const p = Number(loss);
      // Geometric: deviation √p ÷ (1 − p).
      const sigma = Math.sqrt(p) / (1 - p) / Math.sqrt(Number(runs));
      expect(Math.abs(Number(measured) - Number(formula))).toBeLessThan(4 * sigma);
    }
  });
});
