import { writeCapture } from "@fardel/capture";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { recordToCapture } from "./capture-export.js";
import { DEFAULT_SETTINGS } from "./defaults.js";
import { toHex } from "./hex.js";
import { LabError } from "./lab-error.js";
import { DATAGRAM_KINDS, FATE_NAMES, type RunRecord } from "./record.js";
import { recordFromCapture } from "./record-from-recording.js";
import { runLab } from "./run-lab.js";

const HEAD = {
  format: "fardel-recording",
  version: 1,
  mtuBytes: 250,
  startedAt: "2026-04-18T03:20:00.000Z",
  link: "serial:",
};

function textOf(...lines: readonly unknown[]): Uint8Array {
  const text = lines.map((line) => (typeof line === "string" ? line : JSON.stringify(line)));
  return new TextEncoder().encode(text.join("\n"));
}

/** What the gateway, or the one board, would have written down, as lines. */
function seenBy(station: number, { datagrams }: RunRecord): Uint8Array {
  const { count, leftUs, arrivedUs, from, byteFrom, bytes } = datagrams;
  const lines: { atUs: number }[] = [];
  for (let row = 0; row < count; row++) {
    const isSent = from[row] === station;
    if (!isSent && Number.isNaN(arrivedUs[row]!)) continue;
    lines.push({
      atUs: isSent ? leftUs[row]! : arrivedUs[row]!,
      ...{ direction: isSent ? "sent" : "received", peer: `02000000000${1 - station}` },
      ...{ bytes: toHex(bytes.subarray(byteFrom[row], byteFrom[row + 1])) },
      ...(isSent ? { outcome: "sent" } : { rssiDbm: -61 }),
    });
  }
  lines.sort((one, other) => one.atUs - other.atUs);
  return textOf(HEAD, ...lines, "");
}

describe("a recording of the gateway's side", () => {
  it("shows the transfer, as far as the gateway knew", async () => {
    const run = await runLab(DEFAULT_SETTINGS);
    const { record, faults } = recordFromCapture(seenBy(0, run));
    expect(faults).toEqual([]);
    expect(record.settings).toBeUndefined();
    expect(record.stations.map(({ name }) => name)).toEqual(["this side", "02:00:00:00:00:01"]);
    const [before] = run.transfers;
    const [after] = record.transfers;
    expect(after).toMatchObject({ from: 0, to: 1, bytes: 12_000, outcome: "delivered" });
    expect(after!.fragmentBytes).toEqual(before!.fragmentBytes);
    expect(after!.sends.fragment).toEqual(before!.sends.fragment);
    expect(after!.acknowledgedUs).toHaveLength(before!.fragmentCount);
    for (const [fragment, knownUs] of after!.acknowledgedUs.entries()) {
      expect(after!.arrivedUs[fragment]).toBeLessThanOrEqual(knownUs);
      expect(after!.arrivedUs[fragment]).toBeGreaterThanOrEqual(after!.sentUs[fragment]!);
    }
    const fates = new Set(Array.from(record.datagrams.fate, (fate) => FATE_NAMES[fate]));
    expect(fates).toEqual(new Set(["pending", "delivered"]));
    const { startUs, leftUs } = record.datagrams;
    for (let row = 1; row < record.datagrams.count; row++) {
      expect(startUs[row]).toBeGreaterThanOrEqual(leftUs[row - 1]!);
    }
    expect(record.ending).toMatch(/^A recording of serial:: \d+ datagrams in \d/);
    expect(record.notes.length).toBeGreaterThan(2);
  });
});

describe("a recording of the board's side", () => {
  it("shows what arrived, and repeats as repeats", async () => {
    const run = await runLab(DEFAULT_SETTINGS);
    const { record } = recordFromCapture(seenBy(1, run));
    const [transfer] = record.transfers;
    expect(transfer).toMatchObject({ from: 1, to: 0, bytes: 12_000, outcome: "delivered" });
    expect(transfer!.arrivedUs.every(Number.isFinite)).toBe(true);
    const kinds = new Set(Array.from(record.datagrams.kind, (kind) => DATAGRAM_KINDS[kind]));
    expect(kinds).toContain("repeat");
    expect(kinds).toContain("ack");
    expect([...record.datagrams.rssiDbm].filter((dbm) => dbm === -61).length).toBeGreaterThan(30);
  });
});

describe("what is no whole recording", () => {
  it("is shown as far as it can be read, with a sentence for each fault", () => {
    const good = { atUs: 5, direction: "received", peer: "020000000001", bytes: "40000000" };
    const { record, faults } = recordFromCapture(
      textOf(HEAD, good, "{", { ...good, bytes: "4" }, { ...good, peer: "" }, [1], {
        ...{ atUs: 9, dropped: 3 },
      }),
    );
    expect(record.datagrams.count).toBe(1);
    expect(faults).toEqual([
      "Line 3 cannot be read: it is no JSON object.",
      "Line 4 cannot be read: bytes are not hexadecimal.",
      "Line 5 cannot be read: peer is no address.",
      "Line 6 cannot be read: atUs is no whole number.",
    ]);
    expect(record.notes.at(-1)!.text).toContain("3 datagrams passed");
  });

  it("leaves out what the link refused, and takes a cut last line for what it is", () => {
    const good = { atUs: 5, direction: "sent", peer: "020000000001", bytes: "40000000" };
    const { record, faults } = recordFromCapture(
      textOf(HEAD, { ...good, outcome: "refused" }, good, '{"atUs":7,"dire'),
    );
    expect(record.datagrams.count).toBe(1);
    expect(faults).toEqual([]);
  });

  it("does not believe in fragments that lie beyond every window", () => {
    // DATA on channel 0: the first of a message of 500 bytes, and one 20,000 fragments later.
    const first = "400001c0000041f4aabb0000";
    const far = "40000280" + "4e20" + "ccdd0000";
    const line = { direction: "received", peer: "020000000001" };
    const lines = [first, far].map((bytes, index) => ({ ...line, atUs: 5_000 * index, bytes }));
    const { record } = recordFromCapture(textOf(HEAD, ...lines));
    expect(record.transfers).toHaveLength(1);
    expect(record.transfers[0]).toMatchObject({ bytes: 500, fragmentCount: 1 });
  });

  it.each([
    ["nothing", new Uint8Array(0)],
    ["text", textOf("row,station", "R01,S1")],
    ["another JSON file", textOf({ format: "something" })],
    ["a newer recording", textOf({ ...HEAD, version: 2 })],
    ["a recording of nothing", textOf(HEAD)],
    ["an empty capture", writeCapture({ link: "x", mtuBytes: 250, startedAt: new Date(0) }, [])],
  ])("is refused with a sentence: %s", (_, bytes) => {
    const show = () => recordFromCapture(bytes);
    expect(show).toThrow(LabError);
    expect(show).toThrow(/^The (file|recording) .*\.$/);
  });

  it("never throws anything else, whatever the bytes", async () => {
    const record = await runLab({ ...DEFAULT_SETTINGS, boards: 2 });
    const capture = recordToCapture(record);
    const lines = seenBy(0, await runLab(DEFAULT_SETTINGS));
    const damaged = fc
      .tuple(
        fc.constantFrom(capture, lines),
        fc.array(fc.tuple(fc.nat(), fc.nat(255)), { maxLength: 30 }),
        fc.double({ min: 0, max: 1, noNaN: true }),
      )
      .map(([file, changes, share]) => {
        const bytes = file.slice(0, Math.ceil(file.length * share));
        for (const [at, byte] of changes) if (bytes.length > 0) bytes[at % bytes.length] = byte;
        return bytes;
      });
    fc.assert(
      fc.property(fc.oneof(damaged, fc.uint8Array({ maxLength: 200 })), (bytes) => {
        try {
          const { record: shown } = recordFromCapture(bytes);
          expect(shown.datagrams.byteFrom).toHaveLength(shown.datagrams.count + 1);
          for (const { fragmentCount, sends, window } of shown.transfers) {
            expect(sends.fragment.every((fragment) => fragment < fragmentCount)).toBe(true);
            expect(window.base.every((base) => base <= fragmentCount)).toBe(true);
          }
        } catch (error) {
          expect(error).toBeInstanceOf(LabError);
        }
      }),
      { numRuns: 300 },
    );
  }, 60_000);
});
