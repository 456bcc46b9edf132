import { readDatagram } from "@fardel/core/wire";
import type { MediumStatistics } from "@fardel/lossy-link";
import { expect } from "vitest";
import { FATE_NAMES, type FateName, type RunRecord, type TransferRecord } from "./record.js";
import { runLab } from "./run-lab.js";
import type { LabSettings } from "./settings.js";

// For tests: what must hold of every record.

const NOTHING: MediumStatistics | undefined = undefined;

export async function runWith(settings: LabSettings) {
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
export function ascends(values: ArrayLike<number>): boolean {
  for (let index = 1; index < values.length; index++) {
    if (!(values[index]! >= values[index - 1]!)) return false;
  }
  return true;
}

export function rowBytes({ datagrams }: RunRecord, row: number): Uint8Array {
  return datagrams.bytes.subarray(datagrams.byteFrom[row], datagrams.byteFrom[row + 1]);
}

export function fateOf({ datagrams }: RunRecord, row: number): FateName {
  return FATE_NAMES[datagrams.fate[row]!]!;
}

/** What is found wrong: thousands of `expect` would take most of the time. */
export class Findings {
  readonly #wrong: string[] = [];

  check(isRight: boolean, what: string, ...where: readonly unknown[]): void {
    if (!isRight && this.#wrong.length < 5) this.#wrong.push(`${what} ${where.join(" ")}`);
  }

  expectNone(): void {
    expect(this.#wrong).toEqual([]);
  }
}

/** On half-duplex air: one at a time, but for those that collide, and these begin and end together. */
export function expectOneAtATime(record: RunRecord): void {
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

export function expectTableInOrder(record: RunRecord): void {
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
export function expectTransferTrue(record: RunRecord, transfer: TransferRecord): void {
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
export function numbersIn(bytes: Uint8Array, channel: number): number[] {
  const frames = readDatagram(bytes)?.frames ?? [];
  return frames
    .filter((frame) => frame.type === "data")
    .filter((frame) => frame.channel === channel)
    .map(({ fragment }) => fragment);
}

export function expectEndsAgree({ transfers, outcome, figures }: RunRecord): void {
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

export function expectCounts(record: RunRecord, statistics: MediumStatistics): void {
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
