import fc from "fast-check";
import { beforeAll, describe, expect, it } from "vitest";
import type { RunRecord, TransferRecord } from "../run/record.js";
import { fragmentCountsAt } from "../run/views.js";
import { countStates, FRAGMENT_STATES, fillFragmentStates } from "./fragment-states.js";
import { testRun } from "./test-record.js";

const records: RunRecord[] = [];

beforeAll(async () => {
  records.push(await testRun({ boards: 2, loss: 0.3 }));
  records.push(await testRun({ reorder: 0.2, duplicate: 0.2, corrupt: 0.1 }));
  records.push(await testRun({ outagesS: [[0.05, 0.2]], loss: 0.05 }));
});

const moment = fc
  .tuple(fc.nat(2), fc.nat(1), fc.nat(1_050), fc.nat())
  .map(([which, transfer, perMille, row]) => {
    const record = records[which]!;
    const index = transfer % record.transfers.length;
    const { startUs, count } = record.datagrams;
    // Also the very instants at which something happens.
    const atUs = row % 2 === 0 ? startUs[row % count]! : (perMille / 1_000) * record.endUs;
    return { record, index, atUs };
  });

function statesAt(record: RunRecord, transfer: TransferRecord, atUs: number): Uint8Array {
  const states = new Uint8Array(transfer.fragmentCount);
  fillFragmentStates(transfer, record.datagrams, atUs, states);
  return states;
}

describe("the states of fragments", () => {
  it("agree with the counts of the record at every instant", () => {
    fc.assert(
      fc.property(moment, ({ record, index, atUs }) => {
        const transfer = record.transfers[index]!;
        const states = countStates(statesAt(record, transfer, atUs));
        const counts = { sent: 0, arrived: 0, acknowledged: 0 };
        fragmentCountsAt(record, index, atUs, counts);
        expect(states.known).toBe(counts.acknowledged);
        expect(states.waiting).toBe(transfer.fragmentCount - counts.sent);
        expect(states.known + states.arrived).toBeGreaterThanOrEqual(counts.arrived);
      }),
    );
  });

  it("call no fragment dead or lost that has arrived, and none on its way that has died", () => {
    fc.assert(
      fc.property(moment, ({ record, index, atUs }) => {
        const transfer = record.transfers[index]!;
        for (const [fragment, code] of statesAt(record, transfer, atUs).entries()) {
          const state = FRAGMENT_STATES[code]!;
          const hasArrived = transfer.arrivedUs[fragment]! <= atUs;
          if (state === "died" || state === "lost") expect(hasArrived).toBe(false);
          if (state !== "flying" && state !== "died") continue;
          const row = lastSending(transfer, fragment, atUs);
          const { arrivedUs, leftUs } = record.datagrams;
          const isGone = Number.isNaN(arrivedUs[row]!) && leftUs[row]! <= atUs;
          expect(state).toBe(isGone ? "died" : "flying");
        }
      }),
    );
  });

  it("end with everything acknowledged", () => {
    for (const record of records) {
      for (const transfer of record.transfers) {
        const states = countStates(statesAt(record, transfer, record.endUs));
        expect(states.known).toBe(transfer.fragmentCount);
      }
    }
  });

  it("show every repeat as on its way again from the very instant of its sending", async () => {
    const record = await testRun();
    const transfer = record.transfers[0]!;
    const { sends } = transfer;
    let repeats = 0;
    for (let send = 0; send < sends.atUs.length; send++) {
      if (sends.isRepeat[send] !== 1) continue;
      repeats++;
      const state = statesAt(record, transfer, sends.atUs[send]! + 1)[sends.fragment[send]!]!;
      expect(FRAGMENT_STATES[state]).toBe("flying");
    }
    expect(repeats).toBeGreaterThan(5);
  });
});

function lastSending({ sends }: TransferRecord, fragment: number, atUs: number): number {
  let row = -1;
  for (let send = 0; send < sends.atUs.length; send++) {
    if (sends.atUs[send]! > atUs) break;
    if (sends.fragment[send] === fragment) row = sends.datagram[send]!;
  }
  return row;
}
