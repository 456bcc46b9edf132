import { readFileSync } from "node:fs";
import { readCapture } from "@fardel/capture";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { anySettings } from "./any-settings.js";
import { recordToCapture } from "./capture-export.js";
import { DEFAULT_SETTINGS } from "./defaults.js";
import { JSON_VERSION, recordToJson } from "./export-json.js";
import { fromHex, toHex } from "./hex.js";
import { DATAGRAM_KINDS, FATE_NAMES, type RunRecord } from "./record.js";
import { recordFromCapture } from "./record-from-recording.js";
import { runLab } from "./run-lab.js";

const CORRUPTED = FATE_NAMES.indexOf("corrupted");

/** One line for each datagram that must survive a capture, whatever its row. */
function linesOf({ datagrams }: RunRecord): string[] {
  const { count, arrivedUs, leftUs, from, to, fate, isCopy, kind, rssiDbm, byteFrom } = datagrams;
  return Array.from({ length: count }, (_, row) => {
    const atUs = Number.isNaN(arrivedUs[row]!) ? leftUs[row]! : arrivedUs[row]!;
    // What is damaged cannot be read again.
    const what = fate[row] === CORRUPTED ? "" : DATAGRAM_KINDS[kind[row]!];
    const bytes = toHex(datagrams.bytes.subarray(byteFrom[row], byteFrom[row + 1]));
    const ends = `${from[row]}>${to[row]}`;
    return `${atUs} ${ends} ${FATE_NAMES[fate[row]!]} ${what} ${isCopy[row]} ${rssiDbm[row]} ${bytes}`;
  });
}

/** Times of a recording begin with its first datagram. */
function fromTheFirst(lines: readonly string[]): string[] {
  const firstUs = Math.min(...lines.map((line) => Number.parseInt(line, 10)));
  return lines.map((line) => line.replace(/^\d+/, (us) => String(Number(us) - firstUs))).sort();
}

describe("a record as JSON", () => {
  it("holds everything, in the shape that RECORD.md tells", async () => {
    const settings = { ...DEFAULT_SETTINGS, boards: 2, distanceM: 40, corrupt: 0.1 };
    const record = await runLab({ ...settings, outagesS: [[0.01, 0.02]] });
    const text = [...recordToJson(record)].join("");
    const json = JSON.parse(text);
    expect(json).toMatchObject({
      format: "fardel-lab-run",
      version: JSON_VERSION,
      settings: record.settings,
      outcome: "done",
      figures: record.figures,
      notes: JSON.parse(JSON.stringify(record.notes)),
    });
    expect(json.datagrams).toHaveLength(record.datagrams.count);
    expect(json.transfers).toHaveLength(2);
    for (const [row, each] of json.datagrams.entries()) {
      const { startUs, arrivedUs, byteFrom, bytes } = record.datagrams;
      expect(each.startUs).toBe(startUs[row]);
      expect(each.arrivedUs).toBe(Number.isNaN(arrivedUs[row]!) ? null : arrivedUs[row]);
      expect(fromHex(each.bytes)).toEqual(bytes.slice(byteFrom[row], byteFrom[row + 1]));
    }
    const [transfer] = json.transfers;
    expect(transfer.fragmentBytes).toEqual([...record.transfers[0]!.fragmentBytes]);
    expect(transfer.losses.cause).toContain("overtaken");

    const document = readFileSync(new URL("../../RECORD.md", import.meta.url), "utf8");
    const keys = new Set<string>();
    JSON.parse(text, (key, value) => {
      if (!/^\d*$/.test(key)) keys.add(key);
      return value;
    });
    for (const key of keys) expect(document).toContain(`\`${key}\``);
  });
});

describe("a record as a capture", () => {
  it("comes back with every datagram, its fate and what it is for", async () => {
    await fc.assert(
      fc.asyncProperty(anySettings(2_000), async (settings) => {
        // Of what is damaged nobody can tell whether it was sent before.
        const record = await runLab({ ...settings, corrupt: 0 });
        const { record: again, faults } = recordFromCapture(recordToCapture(record));
        expect(faults).toEqual([]);
        expect(fromTheFirst(linesOf(again))).toEqual(fromTheFirst(linesOf(record)));
      }),
      { numRuns: 40 },
    );
  }, 60_000);

  it("comes back with the transfers that were in it", async () => {
    await fc.assert(
      fc.asyncProperty(anySettings(6_000), async (settings) => {
        const quiet = { ...settings, corrupt: 0, duplicate: 0, reorder: 0 };
        const record = await runLab(quiet);
        const { record: again } = recordFromCapture(recordToCapture(record));
        // A message of one fragment shows no more than its datagram.
        const { kind } = record.datagrams;
        const wasInOpening = (row: number) => DATAGRAM_KINDS[kind[row]!] === "opening";
        const long = record.transfers.filter(
          ({ fragmentCount, sends }) => fragmentCount > 1 && !sends.datagram.some(wasInOpening),
        );
        expect(again.transfers.length).toBeGreaterThanOrEqual(long.length);
        // Commands that need several fragments are no transfers.
        expect(again.transfers.every(({ channel }) => channel === 0)).toBe(true);
        for (const transfer of long) {
          const { from, to, channel } = transfer;
          const found = again.transfers.find((each) => each.from === from && each.to === to);
          const isWhole = !Number.isNaN(transfer.deliveredUs);
          expect(found).toMatchObject({
            channel,
            bytes: transfer.bytes,
            fragmentCount: transfer.fragmentCount,
          });
          expect(found!.sends.fragment).toEqual(transfer.sends.fragment);
          expect(found!.sends.isRepeat).toEqual(transfer.sends.isRepeat);
          const count = (column: Float64Array) => column.filter(Number.isFinite).length;
          expect(count(found!.arrivedUs)).toBe(count(transfer.arrivedUs));
          expect(count(found!.acknowledgedUs)).toBe(count(transfer.acknowledgedUs));
          expect(Number.isNaN(found!.deliveredUs)).toBe(!isWhole);
          if (isWhole) expect(found!.fragmentBytes).toEqual(transfer.fragmentBytes);
        }
      }),
      { numRuns: 40 },
    );
  }, 60_000);

  it("does not take a command for a transfer, also where it needs several fragments", async () => {
    const load = { ...DEFAULT_SETTINGS.load, bytes: 2_000, commandEveryS: 0.05 };
    const record = await runLab({ ...DEFAULT_SETTINGS, datagramBytes: 24, load });
    const { record: again } = recordFromCapture(recordToCapture(record));
    expect(record.figures.commandTimesUs.length).toBeGreaterThan(1);
    expect(again.transfers.map(({ channel, bytes }) => ({ channel, bytes }))).toEqual([
      { channel: 0, bytes: 2_000 },
    ]);
  });

  it("is what the gateway saw, and the same each time", async () => {
    const record = await runLab(DEFAULT_SETTINGS);
    const capture = recordToCapture(record);
    expect(recordToCapture(record)).toEqual(capture);
    const { head, datagrams } = readCapture(capture);
    expect(head).toMatchObject({ link: "lab, simulated, seed 1", mtuBytes: 250 });
    expect(head.localAddress).toEqual(Uint8Array.of(2, 0, 0, 0, 0, 0));
    const toGateway = datagrams.filter(({ direction }) => direction === "received");
    const lost = datagrams.filter(({ direction }) => direction === "overheard");
    expect(toGateway.length).toBeGreaterThan(3);
    expect(toGateway.every(({ fate }) => fate === "delivered")).toBe(true);
    expect(lost.every(({ fate }) => fate === "lost")).toBe(true);
    const sent = datagrams.filter(({ direction }) => direction === "sent");
    expect(sent.every(({ from }) => from !== undefined && toHex(from) === "020000000000")).toBe(
      true,
    );
  });
});
