import { beforeAll, describe, expect, it } from "vitest";
import { TEST_PALETTE, testRun } from "../picture/test-record.js";
import type { RunRecord } from "../run/record.js";
import { arrivals, goodputOption } from "./goodput.js";
import { histogramOption } from "./histogram.js";
import { sequenceOption } from "./sequence.js";

let record: RunRecord;

beforeAll(async () => {
  record = await testRun({ loss: 0.25, boards: 2 });
});

function seriesOf(option: { series?: unknown }): { name: string; data: number[][] }[] {
  return option.series as { name: string; data: number[][] }[];
}

describe("fragment against time", () => {
  it("has a point for each sending, each loss and each fragment that is acknowledged", () => {
    const transfer = record.transfers[1]!;
    const span = { fromUs: 0, toUs: record.endUs };
    const series = seriesOf(sequenceOption(record, transfer, span, TEST_PALETTE, false));
    const points = (name: string): number[][] =>
      series.find((each) => each.name === name)?.data ?? [];
    expect(points("sent").length + points("sent again").length).toBe(transfer.sends.atUs.length);
    expect(points("sent")).toHaveLength(transfer.fragmentCount);
    expect(points("acknowledged")).toHaveLength(transfer.fragmentCount);
    expect(points("lost").length).toBeGreaterThan(3);
    expect(points("first missing")).toHaveLength(transfer.window.atUs.length + 1);
  });
});

describe("goodput against the limit", () => {
  it("counts every byte of every blob once", () => {
    const { inIntervals, soFar } = arrivals(record);
    const stepUs = record.endUs / (inIntervals.length - 1);
    const bytes = inIntervals
      .slice(0, -1)
      .reduce((sum, { bytesPerS }) => sum + (bytesPerS * stepUs) / 1e6, 0);
    const whole = record.transfers.reduce((sum, transfer) => sum + transfer.bytes, 0);
    expect(bytes).toBeCloseTo(whole);
    expect(((soFar.at(-1)?.bytesPerS ?? 0) * record.endUs) / 1e6).toBeCloseTo(whole);
  });

  it("counts what arrives at the very end", () => {
    const lastUs = Math.max(...record.transfers.flatMap(({ arrivedUs }) => [...arrivedUs]));
    const { soFar } = arrivals({ ...record, endUs: lastUs });
    const whole = record.transfers.reduce((sum, transfer) => sum + transfer.bytes, 0);
    expect(((soFar.at(-1)?.bytesPerS ?? 0) * lastUs) / 1e6).toBeCloseTo(whole);
  });

  it("shows both runs of a comparison with their own limits", () => {
    const runs = ["A", "B"].map((name) => ({ name, record }));
    const span = { fromUs: 0, toUs: record.endUs };
    const names = seriesOf(goodputOption(runs, span, TEST_PALETTE, false)).map(({ name }) => name);
    expect(names).toEqual([
      "A: arriving",
      "A: mean so far",
      "A: limit",
      "B: arriving",
      "B: mean so far",
      "B: limit",
    ]);
  });

  it("has nothing to show of a run that took no time", () => {
    expect(arrivals({ ...record, endUs: 0 })).toEqual({ inIntervals: [], soFar: [] });
  });
});

describe("the histogram", () => {
  it("counts every run once, also of two settings on shared intervals", () => {
    const a = Array.from({ length: 60 }, (_, index) => 1_000 + index * 37);
    const b = Array.from({ length: 40 }, (_, index) => 2_000 + index * 91);
    const option = histogramOption(
      [
        { name: "A", timesUs: a },
        { name: "B", timesUs: b },
      ],
      TEST_PALETTE,
      false,
    );
    const series = option.series as unknown as { data: number[] }[];
    const sums = series.map(({ data }) => data.reduce((sum, count) => sum + count, 0));
    expect(sums).toEqual([60, 40]);
  });
});
