import { describe, expect, it } from "vitest";
import type { Row } from "../benchmark.js";
import { efficiencyOf } from "../efficiency.js";
import { byHand, CAPACITY_BYTES_PER_S } from "./by-hand.js";
import { byHandRun, fardelRun } from "./transfer.js";
import { chanceOfThreeTimes, STOP_AND_WAIT, STOP_AND_WAIT_TUNED, THREE_TIMES } from "./ways.js";

const SIZES = 2;
const LOSSES = 5;
const PROTOCOLS = 4;

async function rows(seeds: number): Promise<Row[]> {
  const all: Row[] = [];
  for await (const row of byHand.run({ seeds, scale: 1 })) all.push(row);
  return all;
}

describe("the benchmark by-hand", () => {
  it("gives the same rows for the same seeds", async () => {
    const [one, other] = [await rows(1), await rows(1)];
    expect(one).toEqual(other);
    expect(one).toHaveLength(SIZES * LOSSES * PROTOCOLS);
    for (const { expected, ...row } of one) {
      expect(Object.keys(row)).toEqual([
        "bench",
        "protocol",
        "bytes",
        "loss",
        "seeds",
        "efficiency",
        "sustained",
        "whole",
        "frames",
      ]);
      expect(row.bench).toBe("by-hand");
      expect(expected !== undefined).toBe(row.protocol === THREE_TIMES.name);
      expect(Number(row.sustained)).toBeLessThanOrEqual(Number(row.efficiency));
    }
  });

  it("measures Fardel as the benchmark efficiency does", async () => {
    const [bytes, loss, seed] = [16_384, 0.2, 3];
    const { deliveredUs } = await fardelRun(bytes, loss, seed);
    const efficiency = (bytes * 1e6) / deliveredUs / CAPACITY_BYTES_PER_S / (1 - loss);
    expect(efficiency).toBeCloseTo(await efficiencyOf(bytes, 64, loss, seed), 9);
  });
});

describe("by hand, on the reference channel", () => {
  it("stop-and-wait takes what its frames and acks take", async () => {
    // 66 full frames, one of 214 + 5 bytes, an ack of 3 bytes for each (worked by hand).
    const airtimeUs = 66 * 2896 + (552 + 8 * (43 + 219)) + 67 * (552 + 8 * (43 + 3));
    const run = await byHandRun(STOP_AND_WAIT, 16_384, 0, 1);
    expect(run).toEqual({ deliveredUs: airtimeUs - 920, senderDoneUs: airtimeUs, frames: 134 });
  });

  it("a timeout fitted to the channel repeats nothing for nothing", async () => {
    const [common, tuned] = [
      await byHandRun(STOP_AND_WAIT, 16_384, 0, 1),
      await byHandRun(STOP_AND_WAIT_TUNED, 16_384, 0, 1),
    ];
    expect(tuned).toEqual(common);
  });

  it("three passes arrive whole as often as computed", async () => {
    const [bytes, loss, runs] = [16_384, 0.2, 400];
    let whole = 0;
    for (let seed = 1; seed <= runs; seed++) {
      const { deliveredUs, frames } = await byHandRun(THREE_TIMES, bytes, loss, seed);
      if (deliveredUs > 0) whole++;
      expect(frames).toBe(3 * 67);
    }
    // Four standard deviations of a binomial share; the seeds are fixed, so it never comes and goes.
    const chance = chanceOfThreeTimes(67, loss);
    expect(Math.abs(whole / runs - chance)).toBeLessThan(
      4 * Math.sqrt((chance * (1 - chance)) / runs),
    );
    expect(chance).toBeCloseTo(0.5838, 4);
  });
});
