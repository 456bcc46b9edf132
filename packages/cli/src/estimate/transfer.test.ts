/**
 * The formulas against the simulation, and against what can be worked out by hand. Seeds are fixed:
 * what passes once passes always. SIMULATE.md has the figures of a larger grid.
 */
import { presets } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { PRESET_NAMES, type PresetName } from "../scenario/schema.js";
import { checkFigures } from "./check.js";
import { type EstimateQuestion, estimateFigures, type FigureName } from "./figures.js";
import { modelLink } from "./link-model.js";
import { estimateTransfer } from "./transfer.js";
import { cutMessage } from "./wire-bytes.js";

const never = new AbortController().signal;
const COMPARED: readonly FigureName[] = ["datagrams", "airtimeUs", "timeUs"];

function question(fields: Partial<EstimateQuestion>): EstimateQuestion {
  const preset = fields.preset ?? "reference";
  const mtuBytes = presets[preset]().mtuBytes;
  return { bytes: 1000, loss: 0, window: 64, everyUs: 3.6e9, ...fields, preset, mtuBytes };
}

/** The question with a preset's datagram size, simulated too. */
async function compare(fields: Partial<EstimateQuestion>, seeds: number) {
  const asked = question(fields);
  const options = { seeds, tolerance: 0, signal: never };
  const result = await checkFigures(asked, estimateFigures(asked), options);
  const compared = result.figures.filter(({ name }) => COMPARED.includes(name));
  expect(compared.map(({ name }) => name)).toEqual(COMPARED);
  const differences = compared.map(({ difference = 0, chance = 0, name }) => ({
    name,
    difference: Math.abs(difference),
    beyondChance: Math.max(0, Math.abs(difference) - chance),
    at: JSON.stringify(fields),
  }));
  return { result, differences };
}

function medianOf(values: readonly number[]): number {
  return [...values].sort((one, other) => one - other)[values.length >> 1] ?? Number.NaN;
}

describe("without loss the formulas are exact on a link that leaves nothing to chance", () => {
  it.each(["reference", "ieee802154", "canFd"] as const)("%s", async (preset) => {
    for (const bytes of [0, 16, 100, 235, 1000, 4096, 16_384]) {
      for (const window of [1, 8, 64]) {
        const { result, differences } = await compare({ preset, bytes, window }, 2);
        for (const each of differences)
          expect(each, each.at).toMatchObject({ difference: expect.closeTo(0, 4) });
        expect(result.lateRuns).toBe(0);
      }
    }
  });
});

describe("with loss they are near the mean of the simulation", () => {
  it("reference: median 3 %, worst 7 % beyond chance", async () => {
    const all = [];
    for (const loss of [0.05, 0.1, 0.2, 0.3]) {
      for (const bytes of [16, 235, 1000, 4096, 16_384]) {
        for (const window of bytes > 2000 ? [8, 16, 64] : [64]) {
          const { differences } = await compare({ bytes, loss, window }, bytes > 10_000 ? 15 : 60);
          all.push(...differences);
        }
      }
      all.push(...(await compare({ bytes: 131_072, loss, window: 16 }, 5)).differences);
    }
    expect(medianOf(all.map(({ difference }) => difference))).toBeLessThan(0.03);
    const worst = all.filter(({ beyondChance }) => beyondChance > 0.07);
    expect(worst).toEqual([]);
  });

  it("other presets: median 4 %, worst 15 % beyond chance", async () => {
    const all = [];
    for (const preset of ["ieee802154", "canFd", "bleAtt", "contention"] as const) {
      for (const loss of [0, 0.1, 0.3]) {
        for (const bytes of [16, 1000, 8000]) {
          for (const window of bytes === 16 ? [64] : [8, 64]) {
            all.push(...(await compare({ preset, bytes, loss, window }, 20)).differences);
          }
        }
      }
    }
    expect(medianOf(all.map(({ difference }) => difference))).toBeLessThan(0.04);
    const worst = all.filter(({ beyondChance }) => beyondChance > 0.15);
    expect(worst).toEqual([]);
  });

  it("at most one delivery in fifty is later than the bound", async () => {
    let runs = 0;
    let late = 0;
    for (const preset of ["reference", "contention", "bleAtt"] as const) {
      for (const loss of [0, 0.05, 0.3]) {
        for (const bytes of [16, 235, 4096]) {
          const { result } = await compare({ preset, bytes, loss, window: 16 }, 60);
          runs += result.runs;
          late += result.lateRuns;
        }
      }
    }
    for (const bytes of [8_192, 16_384]) {
      const { result } = await compare({ bytes, loss: 0.3, window: 16 }, 60);
      runs += result.runs;
      late += result.lateRuns;
      // Long ones: here it is the deviations that make the bound.
      expect(result.lateRuns).toBeLessThanOrEqual(1);
    }
    expect(runs).toBe(29 * 60);
    expect(late / runs).toBeLessThan(0.02);
  });
});

describe("by hand", () => {
  it("stop-and-wait: 1 ÷ (1 + 2a) of the link, 2a being the time of an ack ÷ that of a frame", () => {
    // W. Stallings, Data and Computer Communications; formula from memory.
    const bytes = 242 * 400 - 8;
    const link = modelLink("reference", 250, 0);
    expect(cutMessage(bytes, 250)).toEqual({ fragments: 400, lastBytes: 250 });
    const { timeUs } = estimateTransfer(link, bytes, 1);
    // Ack: 12 bytes, 992 µs. Opening 48 bytes, 1,280 µs, and its answer, 26 bytes, 1,104 µs.
    expect(timeUs).toBe(400 * 2896 + 399 * 992 + 1280 + 1104);
    const utilisation = (400 * 2896) / (timeUs - 1280 - 1104);
    expect(utilisation).toBeCloseTo(1 / (1 + 992 / 2896), 3);
  });

  it("selective repeat with a wide window approaches 1 − P", () => {
    for (const loss of [0, 0.1, 0.3]) {
      const { timeUs, fragments } = estimateTransfer(
        modelLink("reference", 250, loss),
        1_000_000,
        255,
      );
      const utilisation = (fragments * 2896) / timeUs;
      expect(utilisation).toBeLessThan(1 - loss);
      expect(utilisation).toBeGreaterThan((1 - loss) * 0.97);
    }
  });

  it("the radio's own repetitions leave p⁷ of a loss p and cost (1 − p⁷) ÷ (1 − p) transmissions", () => {
    const { datagramLoss, transmissions } = modelLink("contention", 250, 0.3);
    expect(datagramLoss).toBeCloseTo(0.3 ** 7, 12);
    expect(transmissions).toBeCloseTo((1 - 0.3 ** 7) / 0.7, 12);
  });

  it("the memory of a board with window 8 and datagrams of 250 bytes", () => {
    const figures = estimateFigures(question({ window: 8 }));
    expect(figures.find(({ name }) => name === "memoryBytes")?.value).toBe(8 * 242 + 500 + 8);
  });

  it("the duty cycle is the gateway's airtime in the period", () => {
    const figures = estimateFigures(question({ bytes: 16, everyUs: 10_000_000 }));
    // One opening of 48 bytes, 1,280 µs, every 10 s.
    expect(figures.find(({ name }) => name === "dutyCycle")?.value).toBeCloseTo(0.000128, 9);
  });
});

describe("every question", () => {
  it("has an answer with finite figures, a formula and a source", () => {
    for (const preset of PRESET_NAMES as readonly PresetName[]) {
      for (const bytes of [0, 1, 1000, 1_048_576]) {
        for (const loss of [0, 0.5, 0.9]) {
          for (const window of [1, 2, 255]) {
            for (const { name, value, formula, source } of estimateFigures(
              question({ preset, bytes, loss, window }),
            )) {
              if (value !== undefined)
                expect(value, `${name} ${preset} ${bytes} ${loss}`).toBeGreaterThanOrEqual(0);
              expect(value ?? 0).toBeLessThan(Number.POSITIVE_INFINITY);
              expect(formula.length).toBeGreaterThan(10);
              expect(source.length).toBeGreaterThan(5);
            }
          }
        }
      }
    }
  });

  it("with more loss takes longer and more datagrams", () => {
    let last = { timeUs: 0, total: 0 };
    for (const loss of [0, 0.05, 0.1, 0.2, 0.3, 0.5]) {
      const { timeUs, datagrams } = estimateTransfer(modelLink("reference", 250, loss), 5000, 16);
      expect(timeUs).toBeGreaterThan(last.timeUs);
      expect(datagrams.total).toBeGreaterThan(last.total);
      last = { timeUs, total: datagrams.total };
    }
  });
});
