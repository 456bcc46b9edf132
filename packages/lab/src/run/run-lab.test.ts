import { readDatagram } from "@fardel/core/wire";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { anySettings } from "./any-settings.js";
import {
  ascends,
  expectCounts,
  expectEndsAgree,
  expectOneAtATime,
  expectTableInOrder,
  expectTransferTrue,
  rowBytes,
  runWith,
} from "./check-record.js";
import { DEFAULT_SETTINGS } from "./defaults.js";
import { EXAMPLES } from "./examples.js";
import { recordToJson } from "./export-json.js";
import { DATAGRAM_KINDS, FATE_NAMES } from "./record.js";
import { runLab } from "./run-lab.js";
import type { LabSettings } from "./settings.js";

describe("a run", () => {
  it("is a true picture of what happened, whatever the settings", async () => {
    await fc.assert(
      fc.asyncProperty(anySettings(3_000), async (settings) => {
        const { record, statistics } = await runWith(settings);
        expectTableInOrder(record);
        if (settings.preset !== "ideal") expectOneAtATime(record);
        for (const transfer of record.transfers) expectTransferTrue(record, transfer);
        expectEndsAgree(record);
        expectCounts(record, statistics);
        expect(ascends(record.notes.map(({ atUs }) => atUs))).toBe(true);
        expect(record.notes.every(({ text }) => /^[A-Z0-9].*\.$/.test(text))).toBe(true);
        expect(record.transfers).toHaveLength(settings.boards);
        expect(record.stations).toHaveLength(settings.boards + 1);
      }),
      { numRuns: 60 },
    );
  }, 120_000);

  it("is the same for the same settings, byte for byte", async () => {
    await fc.assert(
      fc.asyncProperty(anySettings(2_000), async (settings) => {
        const [one, other] = [await runLab(settings), await runLab(settings)];
        expect([...recordToJson(one)].join("")).toBe([...recordToJson(other)].join(""));
      }),
      { numRuns: 10 },
    );
  }, 60_000);

  it("goes on until what is on air at its end has arrived or died", async () => {
    for (let seed = 1; seed <= 20; seed++) {
      const { record, statistics } = await runWith({ ...DEFAULT_SETTINGS, seed, reorder: 0.3 });
      const own = record.datagrams.isCopy.filter((isCopy) => isCopy === 0);
      expect(own).toHaveLength(statistics.carried.datagrams);
    }
  });

  it("differs with another seed", async () => {
    const one = await runLab(DEFAULT_SETTINGS);
    const other = await runLab({ ...DEFAULT_SETTINGS, seed: 2 });
    expect(one.datagrams.bytes).not.toEqual(other.datagrams.bytes);
  });

  it("calls each datagram what it is for", async () => {
    const { record } = await runWith({
      ...DEFAULT_SETTINGS,
      load: { ...DEFAULT_SETTINGS.load, commandEveryS: 0.02 },
    });
    const { datagrams, figures, transfers } = record;
    const kinds = Array.from(datagrams.kind, (kind) => DATAGRAM_KINDS[kind]!);
    expect(kinds[0]).toBe("opening");
    expect([...new Set(kinds)]).toEqual(
      expect.arrayContaining(["opening", "data", "repeat", "ack", "command"]),
    );
    const sends = transfers[0]!.sends;
    for (let send = 0; send < sends.atUs.length; send++) {
      const kind = kinds[sends.datagram[send]!];
      expect(["data", "repeat", "command"]).toContain(kind);
      if (kind !== "command") expect(kind).toBe(sends.isRepeat[send] === 1 ? "repeat" : "data");
    }
    for (let row = 0; row < datagrams.count; row++) {
      if (kinds[row] !== "ack") continue;
      const types = readDatagram(rowBytes(record, row))!.frames.map(({ type }) => type);
      expect(types).toContain("ack");
      expect(types).not.toContain("data");
    }
    expect(figures.commandTimesUs.length).toBeGreaterThan(3);
    expect(record.notes.filter(({ kind }) => kind === "command").length).toBeGreaterThanOrEqual(
      2 * figures.commandTimesUs.length,
    );
  });

  it("counts fragment numbers on where 16 bits are not enough for them", async () => {
    // 12 bytes of each datagram are the caller's: 83,000 fragments, more than 65,536.
    const record = await runLab({
      ...DEFAULT_SETTINGS,
      preset: "ideal",
      datagramBytes: 20,
      loss: 0,
      window: 255,
      load: { ...DEFAULT_SETTINGS.load, source: "bytes", bytes: 1_000_000 },
    });
    const [transfer] = record.transfers;
    expect(transfer!.fragmentCount).toBeGreaterThan(65_536);
    expectTransferTrue(record, transfer!);
    expectEndsAgree(record);
  }, 60_000);

  it("has the limit of the reference channel from its loss", async () => {
    const { figures } = await runLab({ ...DEFAULT_SETTINGS, loss: 0.5 });
    // 250 bytes in 2,896 µs, of which half get through.
    expect(figures.limitBytesPerS).toBeCloseTo((250 / 2_896) * 1e6 * 0.5, 6);
    expect(figures.efficiency).toBeCloseTo(figures.goodputBytesPerS / figures.limitBytesPerS!, 9);
  });

  it("shows signal strength by distance, also of what was too weak", async () => {
    const far = EXAMPLES.find(({ name }) => name.startsWith("Far end"))!;
    const { datagrams, stations, figures } = await runLab(far.settings);
    const distances = stations.slice(1).map(({ distanceM }) => distanceM!);
    expect(distances).toEqual([210, 238, 266, 294, 322, 350]);
    expect([...datagrams.rssiDbm].some(Number.isNaN)).toBe(false);
    const faded = FATE_NAMES.indexOf("faded");
    const weakest = Math.min(...datagrams.rssiDbm);
    expect([...datagrams.fate].filter((fate) => fate === faded).length).toBeGreaterThan(20);
    expect(datagrams.rssiDbm[datagrams.fate.indexOf(faded)]).toBe(weakest);
    expect(figures.limitBytesPerS).toBeLessThan((250 / 2_896) * 1e6 * 0.98);
  });

  it("sends at the rate that is set", async () => {
    const settings = { ...DEFAULT_SETTINGS, loss: 0, rateKbps: 100 };
    const { datagrams } = await runLab(settings);
    const full = Array.from(datagrams.startUs, (startUs, row) => datagrams.leftUs[row]! - startUs);
    // 552 µs, and 293 bytes at 80 µs.
    expect(Math.max(...full)).toBe(552 + 80 * 293);
  });

  it("lets nothing through in an outage, and says so", async () => {
    const settings: LabSettings = {
      ...DEFAULT_SETTINGS,
      outagesS: [
        [0.05, 0.1],
        [0.09, 0.12],
      ],
    };
    const { datagrams, outagesUs, notes } = await runLab(settings);
    expect(outagesUs).toEqual([[50_000, 120_000]]);
    for (const arrivedUs of datagrams.arrivedUs) {
      expect(arrivedUs >= 50_000 && arrivedUs < 120_000).toBe(false);
    }
    expect(notes.filter(({ kind }) => kind === "outage")).toHaveLength(2);
  });

  it("has a failed outcome and says why, when nothing is heard any more", async () => {
    const settings: LabSettings = { ...DEFAULT_SETTINGS, outagesS: [[0.05, 3_600]] };
    const record = await runLab(settings);
    expect(record).toMatchObject({ outcome: "failed" });
    expect(record.ending).toContain("peer-unreachable");
    expect(record.transfers[0]).toMatchObject({
      outcome: "peer-unreachable",
      deliveredUs: Number.NaN,
    });
    expect(record.figures.limitBytesPerS).toBeUndefined();
  });
});

describe("on contended air", () => {
  it("frames that collide begin together, and last as long as the longest of them", async () => {
    const load = { ...DEFAULT_SETTINGS.load, direction: "collect", bytes: 3_000 } as const;
    const record = await runLab({ ...DEFAULT_SETTINGS, preset: "contention", boards: 12, load });
    const { fate, byteFrom, startUs, leftUs } = record.datagrams;
    const sizes = new Map<number, number[]>();
    const collided = FATE_NAMES.indexOf("collided");
    const rows = [...fate.keys()].filter((row) => fate[row] === collided);
    for (const row of rows) {
      const together = sizes.get(leftUs[row]!) ?? [];
      sizes.set(leftUs[row]!, [...together, byteFrom[row + 1]! - byteFrom[row]!]);
    }
    expect([...sizes.values()].some((each) => new Set(each).size > 1)).toBe(true);
    for (const row of rows) {
      const longestBytes = Math.max(...sizes.get(leftUs[row]!)!);
      expect(leftUs[row]! - startUs[row]!).toBe(192 + 8 * (43 + longestBytes));
    }
    expectOneAtATime(record);
  });
});

describe("the examples", () => {
  it("all run to their end and show something", async () => {
    for (const { name, words, settings } of EXAMPLES) {
      const record = await runLab(settings);
      expect({ name, outcome: record.outcome }).toEqual({ name, outcome: "done" });
      expect(words).toMatch(/^[A-Z].*\.$/);
      expect(record.datagrams.count).toBeGreaterThan(30);
      expect(record.endUs).toBeLessThan(10_000_000);
    }
    expect(new Set(EXAMPLES.map(({ name }) => name)).size).toBe(EXAMPLES.length);
  });
});
