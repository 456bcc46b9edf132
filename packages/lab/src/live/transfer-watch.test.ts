import type { TransferReport } from "@fardel/core";
import { describe, expect, it } from "vitest";
import { EventLog } from "./event-log.js";
import { hex } from "./hex.js";
import { TRANSFERS_MAX, TRANSFERS_TOLD_MAX, TransferWatch } from "./transfer-watch.js";

const ROW_1 = Uint8Array.of(2, 0, 0, 0, 0, 1);
const ROW_2 = Uint8Array.of(2, 0, 0, 0, 0, 2);

function transfer(doneBytes: number, changes: Partial<TransferReport> = {}): TransferReport {
  return {
    peer: ROW_1,
    direction: "sending",
    way: "ordered",
    channel: 0,
    totalBytes: 4096,
    doneBytes,
    ...changes,
  };
}

/** A watch that looks each second, and what it has told. */
function setUp() {
  const log = new EventLog();
  const watch = new TransferWatch(log, ({ peer }) => `row-${peer[5]}`);
  let atUs = 0;
  return {
    watch,
    /** @param whole - message bytes that became whole since the look before, by peer */
    look(reports: readonly TransferReport[], whole: Record<string, number> = {}) {
      atUs += 1_000_000;
      watch.look(reports, atUs, (key) => {
        const bytes = whole[key] ?? 0;
        return { messageBytesSent: bytes, messageBytesReceived: bytes };
      });
      return watch.transfers.map(({ id, report, bytesPerS }) => [id, report.doneBytes, bytesPerS]);
    },
    told: () => log.after(0).map(({ text, isTrouble }) => (isTrouble ? `! ${text}` : text)),
  };
}

describe("TransferWatch", () => {
  it("follows one from its beginning to its end", () => {
    const { look, told } = setUp();
    expect(look([transfer(0)])).toEqual([[1, 0, undefined]]);
    expect(look([transfer(1500)])).toEqual([[1, 1500, 1500]]);
    expect(look([], { [hex(ROW_1)]: 4096 })).toEqual([]);
    expect(told()).toEqual([
      "Transfer of 4.1 kB to row-1 has begun.",
      "Transfer of 4.1 kB to row-1 is whole, after about 2 s.",
    ]);
  });

  it("says that one was given up, though small messages arrived meanwhile", () => {
    const { look, told } = setUp();
    look([transfer(1500)]);
    look([], { [hex(ROW_1)]: 600 });
    expect(told()[1]).toBe("! Transfer to row-1 was given up with 1.5 kB of it done.");
  });

  it("shares out what arrived: of two that are gone one was given up", () => {
    const { look, told } = setUp();
    const other = transfer(100, { channel: 1 });
    look([transfer(1500), other]);
    look([], { [hex(ROW_1)]: 4096 });
    expect(told().slice(2)).toEqual([
      "Transfer of 4.1 kB to row-1 is whole, after about 1 s.",
      "! Transfer to row-1 was given up with 100 bytes of it done.",
    ]);
  });

  it("tells equal ones of one channel apart by their order and by how far they are", () => {
    const { look } = setUp();
    expect(look([transfer(3000), transfer(0), transfer(0)])).toEqual([
      [1, 3000, undefined],
      [2, 0, undefined],
      [3, 0, undefined],
    ]);
    expect(look([transfer(500), transfer(0)], { [hex(ROW_1)]: 4096 })).toEqual([
      [2, 500, 500],
      [3, 0, 0],
    ]);
  });

  it("passes over small messages, and says so of streams whose size is not known", () => {
    const { look, told } = setUp();
    look([
      transfer(10, { totalBytes: 1023 }),
      transfer(10, { totalBytes: undefined, direction: "receiving", peer: ROW_2 }),
    ]);
    expect(told()).toEqual(["Transfer of unknown size from row-2 has begun."]);
  });

  it("tells many of one interval together", () => {
    const { look, told } = setUp();
    const many = Array.from({ length: TRANSFERS_TOLD_MAX + 5 }, (_, index) =>
      transfer(0, { peer: Uint8Array.of(index) }),
    );
    look(many);
    expect(told()).toHaveLength(TRANSFERS_TOLD_MAX + 1);
    expect(told().at(-1)).toBe("5 further transfers began or ended meanwhile.");
  });

  it("says of none that it is over while the list is cut", () => {
    const { look, told } = setUp();
    look([transfer(0)]);
    const cut = Array.from({ length: TRANSFERS_MAX }, (_, index) =>
      transfer(0, { peer: Uint8Array.of(index & 255, index >> 8), totalBytes: 10 }),
    );
    look(cut);
    expect(told()).toEqual(["Transfer of 4.1 kB to row-1 has begun."]);
  });

  it("knows by how much more is done than before", () => {
    const { watch, look } = setUp();
    look([transfer(700), transfer(50, { totalBytes: 60, direction: "receiving" })]);
    expect(watch.progress).toEqual({ sent: 700, received: 50 });
    look([transfer(1000)]);
    expect(watch.progress).toEqual({ sent: 300, received: -50 });
  });
});
