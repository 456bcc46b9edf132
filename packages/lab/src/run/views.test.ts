import fc from "fast-check";
import { beforeAll, describe, expect, it } from "vitest";
import { DEFAULT_SETTINGS } from "./defaults.js";
import type { RunRecord } from "./record.js";
import { runLab } from "./run-lab.js";
import {
  countUntil,
  endOfRow,
  fragmentCountsAt,
  momentsOf,
  nextStartUs,
  notesUntil,
  previousStartUs,
  windowRowAt,
} from "./views.js";

const records: RunRecord[] = [];

beforeAll(async () => {
  const wild = { ...DEFAULT_SETTINGS, boards: 3, reorder: 0.2, duplicate: 0.1, corrupt: 0.1 };
  records.push(await runLab(wild));
  const ideal = { ...DEFAULT_SETTINGS, preset: "ideal", loss: 0.3 } as const;
  records.push(await runLab(ideal));
});

/** A run, and an instant of it: also those at which something happens. */
const instant = fc
  .tuple(fc.nat(1), fc.double({ min: -0.1, max: 1.1, noNaN: true }), fc.nat(), fc.boolean())
  .map(([which, share, row, isExact]) => {
    const record = records[which]!;
    const { startUs, count } = record.datagrams;
    return { record, atUs: isExact ? startUs[row % count]! : share * record.endUs };
  });

const property = (check: (record: RunRecord, atUs: number) => void) =>
  fc.assert(fc.property(instant, ({ record, atUs }) => check(record, atUs)));

function countOf(column: ArrayLike<number>, atUs: number): number {
  return Array.from(column).filter((us) => us <= atUs).length;
}

describe("views of a record", () => {
  it("know for how long a datagram is on its way at most", () => {
    for (const record of records) {
      const { datagrams } = record;
      const spansUs = Array.from(
        { length: datagrams.count },
        (_, row) => endOfRow(datagrams, row) - datagrams.startUs[row]!,
      );
      expect(momentsOf(record).longestUs).toBe(Math.max(...spansUs));
    }
  });

  it("count fragments as a look at each of them does", () => {
    property((record, atUs) => {
      for (const [index, transfer] of record.transfers.entries()) {
        const into = { sent: -1, arrived: -1, acknowledged: -1 };
        expect(fragmentCountsAt(record, index, atUs, into)).toBe(into);
        expect(into).toEqual({
          sent: countOf(transfer.sentUs, atUs),
          arrived: countOf(transfer.arrivedUs, atUs),
          acknowledged: countOf(transfer.acknowledgedUs, atUs),
        });
      }
    });
  });

  it("find the window that holds, and the notes until then", () => {
    property((record, atUs) => {
      for (const transfer of record.transfers) {
        expect(windowRowAt(transfer, atUs)).toBe(countOf(transfer.window.atUs, atUs) - 1);
      }
      expect(notesUntil(record.notes, atUs)).toBe(
        countOf(
          record.notes.map((note) => note.atUs),
          atUs,
        ),
      );
    });
  });

  it("step from datagram to datagram, both ways", () => {
    property((record, atUs) => {
      const starts = [...record.datagrams.startUs];
      expect(nextStartUs(record, atUs)).toBe(starts.find((us) => us > atUs) ?? record.endUs);
      expect(previousStartUs(record, atUs)).toBe(starts.filter((us) => us < atUs).at(-1) ?? 0);
    });
  });

  it("count in ascending columns up to and including a value", () => {
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: 0, max: 20 })),
        fc.integer({ min: -1, max: 21 }),
        (list, at) => {
          const column = Float64Array.from(list).sort();
          expect(countUntil(column, at)).toBe(list.filter((value) => value <= at).length);
        },
      ),
    );
  });
});
