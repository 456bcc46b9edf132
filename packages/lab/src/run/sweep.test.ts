import { describe, expect, it } from "vitest";
import { DEFAULT_SETTINGS } from "./defaults.js";
import { runLab } from "./run-lab.js";
import type { LabSettings } from "./settings.js";
import { sweepSeeds } from "./sweep.js";

const SMALL: LabSettings = {
  ...DEFAULT_SETTINGS,
  boards: 2,
  loss: 0.3,
  load: { ...DEFAULT_SETTINGS.load, bytes: 2_000, commandEveryS: 0.05 },
};

describe("sweepSeeds", () => {
  it("takes the time that a run of each seed shows", async () => {
    const told: number[] = [];
    const { firstSeed, timesUs, failed } = await sweepSeeds({ ...SMALL, seed: 5 }, 6, {
      onResult: (share, timeUs) => told.push(share, timeUs),
    });
    expect({ firstSeed, failed }).toEqual({ firstSeed: 5, failed: 0 });
    for (const [index, timeUs] of timesUs.entries()) {
      const record = await runLab({ ...SMALL, seed: 5 + index });
      expect(timeUs).toBe(record.figures.elapsedUs);
    }
    expect(told).toEqual([...timesUs].flatMap((timeUs, index) => [(index + 1) / 6, timeUs]));
    expect(new Set(timesUs).size).toBeGreaterThan(3);
  });

  it("counts runs in which not all arrived", async () => {
    const settings: LabSettings = { ...SMALL, outagesS: [[0.02, 3_000]] };
    const { timesUs, failed } = await sweepSeeds(settings, 3);
    expect(failed).toBe(3);
    expect([...timesUs].every(Number.isNaN)).toBe(true);
  });

  it("can be stopped, and refuses what cannot be run", async () => {
    let done = 0;
    const stopped = sweepSeeds(SMALL, 1_000, {
      onResult: () => done++,
      shouldStop: () => done === 2,
    });
    await expect(stopped).rejects.toMatchObject({ code: "stopped" });
    expect(done).toBe(2);
    await expect(sweepSeeds(SMALL, 0)).rejects.toMatchObject({ code: "bad-settings" });
    await expect(sweepSeeds(SMALL, 10_001)).rejects.toMatchObject({ code: "bad-settings" });
    const load = { ...SMALL.load, source: "file" } as const;
    await expect(sweepSeeds({ ...SMALL, load }, 1)).rejects.toMatchObject({ code: "no-file" });
  });

  it("takes the greatest seed as the first of several", async () => {
    const { timesUs } = await sweepSeeds({ ...SMALL, seed: 1_000_000_000 }, 2);
    expect(timesUs.every(Number.isFinite)).toBe(true);
  });
});
