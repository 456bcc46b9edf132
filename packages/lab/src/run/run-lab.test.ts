import { readDatagram } from "@fardel/core/wire";
import type { MediumStatistics } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { anySettings } from "./any-settings.js";
import { frostTable } from "./blob.js";
import { DEFAULT_SETTINGS } from "./defaults.js";
import { EXAMPLES } from "./examples.js";
import { recordToJson } from "./export-json.js";
import { LabError } from "./lab-error.js";
import {
  DATAGRAM_KINDS,
  FATE_NAMES,
  type FateName,
  type RunRecord,
  type TransferRecord,
} from "./record.js";
import { runLab } from "./run-lab.js";
import type { LabSettings } from "./settings.js";

const NOTHING: MediumStatistics | undefined = undefined;

async function runWith(settings: LabSettings) {
  let statistics: MediumStatistics | undefined = NOTHING;
  const record = await runLab(settings, {
    onStatistics: (counts) => {
      statistics = counts;
    },
  });
  if (statistics === undefined) throw new Error("no statistics were told");
  return { record, statistics: statistics as MediumStatistics };
}

/** Whether every value is at least the one before it. */
function ascends(values: ArrayLike<number>): boolean {
  for (let index = 1; index < values.length; index++) {
    if (!(values[index]! >= values[index - 1]!)) return false;
  }
  return true;
}

function rowBytes({ datagrams }: RunRecord, row: number): Uint8Array {
  return datagrams.bytes.subarray(datagrams.byteFrom[row], datagrams.byteFrom[row + 1]);
}

function fateOf({ datagrams }: RunRecord, row: number): FateName {
  return FATE_NAMES[datagrams.fate[row]!]!;
}

/** What is found wrong: thousands of `expect` would take most of the time. */
class Findings {
  readonly #wrong: string[] = [];

  check(isRight: boolean, what: string, ...where: readonly unknown[]): void {
    if (!isRight && this.#wrong.length < 5) this.#wrong.push(`${what} ${where.join(" ")}`);
  }

  expectNone(): void {
    expect(this.#wrong).toEqual([]);
  }
}

/** On half-duplex air: one at a time, but for those that collide, and these begin and end together. */
function expectOneAtATime(record: RunRecord): void {
  const { startUs, leftUs, isCopy } = record.datagrams;
  const findings = new Findings();
  let before = -1;
  for (const [row, beganUs] of startUs.entries()) {
    if (isCopy[row] === 1) continue;
    if (before >= 0) {
      const isTogether = beganUs === startUs[before] && leftUs[row] === leftUs[before];
      const isCollision =
        isTogether && [row, before].every((each) => fateOf(record, each) === "collided");
      findings.check(beganUs >= leftUs[before]! || isCollision, "two at once on air", before, row);
    }
    before = row;
  }
  findings.expectNone();
}

function expectTableInOrder(record: RunRecord): void {
  const { datagrams, endUs, stations } = record;
  const { count, startUs, leftUs, arrivedUs, from, to } = datagrams;
  expect(startUs).toHaveLength(count);
  expect(datagrams.byteFrom).toHaveLength(count + 1);
  expect(datagrams.byteFrom[count]).toBe(datagrams.bytes.length);
  expect(ascends(startUs)).toBe(true);
  expect(ascends(datagrams.byteFrom)).toBe(true);
  const findings = new Findings();
  for (let row = 0; row < count; row++) {
    const [beganUs, goneUs, cameUs] = [startUs[row]!, leftUs[row]!, arrivedUs[row]!];
    const hasArrived = ["delivered", "corrupted"].includes(fateOf(record, row));
    findings.check(beganUs >= 0 && goneUs >= beganUs, "left before it began", row);
    findings.check(Number.isNaN(cameUs) !== hasArrived, "fate and arrival disagree", row);
    findings.check(!(cameUs < goneUs), "arrived before it had left", row);
    findings.check((hasArrived ? cameUs : goneUs) <= endUs, "ends after the run", row);
    findings.check(Math.min(from[row]!, to[row]!) === 0, "not between gateway and board", row);
    findings.check(Math.max(from[row]!, to[row]!) < stations.length, "no such board", row);
  }
  findings.expectNone();
}

/** What fragments went through, and that the datagrams named for it really carried them. */
function expectTransferTrue(record: RunRecord, transfer: TransferRecord): void {
  const { fragmentCount, sentUs, arrivedUs, acknowledgedUs, sends, losses, window } = transfer;
  const findings = new Findings();
  for (let fragment = 0; fragment < fragmentCount; fragment++) {
    const [sent, arrived, known] = [
      sentUs[fragment]!,
      arrivedUs[fragment]!,
      acknowledgedUs[fragment]!,
    ];
    findings.check(
      Number.isNaN(arrived) || arrived >= sent,
      "arrived before it was sent",
      fragment,
    );
    findings.check(Number.isNaN(known) || known >= arrived, "known before it arrived", fragment);
  }
  expect(ascends(sends.atUs)).toBe(true);
  expect(ascends(losses.atUs)).toBe(true);
  expect(ascends(window.atUs)).toBe(true);
  expect(ascends(window.base)).toBe(true);
  const seen = new Set<number>();
  let firstNumber: number | undefined;
  for (let send = 0; send < sends.atUs.length; send++) {
    const fragment = sends.fragment[send]!;
    const row = sends.datagram[send]!;
    findings.check(fragment < fragmentCount, "no such fragment", send);
    findings.check((sends.isRepeat[send] === 1) === seen.has(fragment), "isRepeat is wrong", send);
    seen.add(fragment);
    const { startUs, from, to } = record.datagrams;
    findings.check(startUs[row]! >= sends.atUs[send]!, "its row began before it", send);
    const isOnItsWay = from[row] === transfer.from && to[row] === transfer.to;
    findings.check(isOnItsWay, "its row went another way", send);
    if (fateOf(record, row) === "corrupted") continue;
    const numbers = numbersIn(rowBytes(record, row), transfer.channel);
    firstNumber ??= (numbers[0]! - fragment) & 0xffff;
    const isInRow = numbers.includes((firstNumber + fragment) & 0xffff);
    findings.check(isInRow, "its row does not carry it", send, row);
  }
  findings.check(
    losses.fragment.every((fragment) => fragment < fragmentCount),
    "a loss of no fragment",
  );
  findings.check(
    window.limit.every((limit) => limit <= fragmentCount),
    "a window beyond the end",
  );
  findings.expectNone();
}

/** Numbers of the fragments in a datagram. */
function numbersIn(bytes: Uint8Array, channel: number): number[] {
  const frames = readDatagram(bytes)?.frames ?? [];
  return frames
    .filter((frame) => frame.type === "data")
    .filter((frame) => frame.channel === channel)
    .map(({ fragment }) => fragment);
}

function expectEndsAgree({ transfers, outcome, figures }: RunRecord): void {
  for (const transfer of transfers) {
    const { deliveredUs, endedUs, arrivedUs, acknowledgedUs, fragmentBytes, bytes } = transfer;
    const isDelivered = transfer.outcome === "delivered";
    if (!Number.isNaN(deliveredUs)) {
      // Whatever the endpoint delivered had arrived, and the last fragment no later.
      expect(arrivedUs.some(Number.isNaN)).toBe(false);
      expect(Math.max(...arrivedUs)).toBe(deliveredUs);
      expect(fragmentBytes.reduce((sum, each) => sum + each, 0)).toBe(bytes);
    }
    if (!isDelivered) continue;
    expect(deliveredUs).toBeLessThanOrEqual(endedUs);
    expect(Math.max(...acknowledgedUs)).toBe(endedUs);
  }
  const isDone = transfers.every((transfer) => transfer.outcome === "delivered");
  expect(outcome === "done").toBe(isDone);
  const blobs = transfers.filter(({ deliveredUs }) => !Number.isNaN(deliveredUs));
  const commands = 32 * figures.commandTimesUs.length;
  expect(figures.deliveredBytes).toBe(blobs.reduce((sum, { bytes }) => sum + bytes, 0) + commands);
}

function expectCounts(record: RunRecord, statistics: MediumStatistics): void {
  const { count, fate, isCopy, byteFrom } = record.datagrams;
  const tallies = Object.fromEntries(FATE_NAMES.map((name) => [name, { datagrams: 0, bytes: 0 }]));
  let copies = 0;
  for (let row = 0; row < count; row++) {
    const tally = tallies[FATE_NAMES[fate[row]!]!]!;
    tally.datagrams++;
    tally.bytes += byteFrom[row + 1]! - byteFrom[row]!;
    copies += isCopy[row]!;
  }
  for (const name of FATE_NAMES) {
    if (name !== "pending")
      expect({ name, ...tallies[name] }).toEqual({ name, ...statistics[name] });
  }
  expect(copies).toBeLessThanOrEqual(statistics.duplicated.datagrams);
  expect(record.figures.datagramsOnAir).toBe(statistics.carried.datagrams);
  expect(record.figures.airtimeUs).toBe(statistics.airtimeUs);
}

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
  it("frames that collide begin together, however long each is", async () => {
    const load = { ...DEFAULT_SETTINGS.load, direction: "collect", bytes: 3_000 } as const;
    const record = await runLab({ ...DEFAULT_SETTINGS, preset: "contention", boards: 12, load });
    const { fate, byteFrom, leftUs } = record.datagrams;
    const collided = FATE_NAMES.indexOf("collided");
    const sizes = new Map<number, Set<number>>();
    for (const [row, each] of fate.entries()) {
      if (each !== collided) continue;
      const together = sizes.get(leftUs[row]!) ?? new Set();
      sizes.set(leftUs[row]!, together.add(byteFrom[row + 1]! - byteFrom[row]!));
    }
    expect([...sizes.values()].some(({ size }) => size > 1)).toBe(true);
    expectOneAtATime(record);
  });
});

describe("the limits of a run", () => {
  it("cut it after an hour on air, and keep what happened", async () => {
    const record = await runLab({
      ...DEFAULT_SETTINGS,
      preset: "bleAtt",
      datagramBytes: 20,
      rateKbps: 1,
      load: { ...DEFAULT_SETTINGS.load, bytes: 600_000 },
    });
    expect(record.outcome).toBe("cut");
    expect(record.ending).toContain("60 minutes");
    expect(record.endUs).toBeGreaterThan(3_590_000_000);
    expect(record.endUs).toBeLessThan(3_610_000_000);
    expect(record.datagrams.count).toBeGreaterThan(1_000);
    expectTableInOrder(record);
  }, 60_000);

  it("cut it when a record can hold no more datagrams", async () => {
    const record = await runLab({
      ...DEFAULT_SETTINGS,
      preset: "ideal",
      datagramBytes: 20,
      loss: 0,
      window: 255,
      boards: 2,
      load: { ...DEFAULT_SETTINGS.load, source: "bytes", bytes: 4 * 1024 * 1024 },
    });
    expect(record.outcome).toBe("cut");
    expect(record.datagrams.count).toBeGreaterThanOrEqual(400_000);
    expect(record.datagrams.count).toBeLessThan(420_000);
    expect(record.transfers[0]!.outcome).toBe("under way");
  }, 120_000);

  it("do not hold up whoever wants to stop it", async () => {
    let asked = 0;
    const shares: number[] = [];
    const running = runLab(
      { ...DEFAULT_SETTINGS, boards: 20, load: { ...DEFAULT_SETTINGS.load, bytes: 300_000 } },
      { shouldStop: () => ++asked === 5, onProgress: (share) => shares.push(share) },
    );
    await expect(running).rejects.toMatchObject({ name: "LabError", code: "stopped" });
    expect(shares).toHaveLength(4);
    expect(ascends(shares)).toBe(true);
  });

  it("refuse settings that are out of range, and a file that is not there", async () => {
    const refusal = async (settings: LabSettings) => {
      const error = await runLab(settings).catch((thrown: unknown) => thrown);
      expect(error).toBeInstanceOf(LabError);
      return (error as LabError).message;
    };
    expect(await refusal({ ...DEFAULT_SETTINGS, boards: 51 })).toBe(
      "The number of boards must be a whole number from 1 to 50, not 51.",
    );
    expect(await refusal({ ...DEFAULT_SETTINGS, rateKbps: 0.5 })).toBe(
      "The rate in kbit/s must be a number 0, or from 1 to 100000, not 0.5.",
    );
    expect(await refusal({ ...DEFAULT_SETTINGS, outagesS: [[2, 1]] })).toContain("2 to 1");
    const load = { ...DEFAULT_SETTINGS.load, source: "file" } as const;
    expect(await refusal({ ...DEFAULT_SETTINGS, load })).toContain("Choose a file");
  });

  it("take a file as it is, whatever the setting says of its size", async () => {
    const load = { ...DEFAULT_SETTINGS.load, source: "file", bytes: 5 } as const;
    const record = await runLab({ ...DEFAULT_SETTINGS, load }, { file: new Uint8Array(1_234) });
    expect(record.transfers[0]).toMatchObject({ bytes: 1_234, outcome: "delivered" });
    const tooLarge = runLab(
      { ...DEFAULT_SETTINGS, load },
      { file: new Uint8Array(4 * 1024 * 1024 + 1) },
    );
    await expect(tooLarge).rejects.toMatchObject({ code: "bad-settings" });
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

describe("the frost table", () => {
  it("says first of all that it is invented, and has the size that is asked for", () => {
    for (const bytes of [0, 1, 100, 12_000, 300_000]) {
      expect(frostTable(bytes)).toHaveLength(bytes);
    }
    const lines = new TextDecoder().decode(frostTable(12_000)).split("\n");
    expect(lines[0]).toContain("Invented");
    expect(lines[2]).toMatch(/^R01,S1,(-?\d+\.\d\d,){4}\d+$/);
    expect(frostTable(12_000)).toEqual(frostTable(13_000).subarray(0, 12_000));
  });
});
