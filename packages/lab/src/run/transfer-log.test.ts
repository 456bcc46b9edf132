import type { TraceFact } from "@fardel/core";
import { describe, expect, it } from "vitest";
import { TransferLog } from "./transfer-log.js";

const PEER = Uint8Array.of(2, 0, 0, 0, 0, 1);
const END = { handedOverUs: 0, deliveredUs: 90, endedUs: 99, outcome: "delivered" };

/** Facts of a sender whose datagrams go on air 10 µs apart, and arrive 5 µs later. */
class Sender {
  readonly log = new TransferLog(0, 1, 0, 100);
  #datagrams = 0;

  sends(fragment: number, bytes: number, isRepeat = false): void {
    this.#note({ type: "fragment-sent", fragment, number: 7, bytes, isRepeat });
    this.#datagrams++;
  }

  hears(fragment: number): void {
    this.#note({ type: "fragment-acknowledged", fragment });
  }

  loses(fragment: number): void {
    this.#note({ type: "fragment-lost", fragment, number: 7, cause: "unanswered" });
  }

  isTold(next: number, window: number): void {
    this.#note({ type: "window-told", next, limit: (next + window) & 0xffff });
  }

  /** @param onAir - how many of its datagrams ever were */
  record(onAir = this.#datagrams) {
    const column = (of: (index: number) => number) =>
      Float64Array.from({ length: this.#datagrams }, (_, index) =>
        index < onAir ? of(index) : Number.NaN,
      );
    const passage = {
      startUs: column((index) => 10 * index),
      row: Int32Array.from({ length: this.#datagrams }, (_, index) => (index < onAir ? index : -1)),
      arrivedUs: column((index) => 10 * index + 5),
    };
    return this.log.record(passage, END);
  }

  #note(
    fact:
      | Omit<Extract<TraceFact, { type: "fragment-sent" }>, "peer" | "channel">
      | Omit<Extract<TraceFact, { type: "fragment-acknowledged" }>, "peer" | "channel">
      | Omit<Extract<TraceFact, { type: "fragment-lost" }>, "peer" | "channel">
      | Omit<Extract<TraceFact, { type: "window-told" }>, "peer" | "channel">,
  ): void {
    this.log.note({ ...fact, peer: PEER, channel: 0 }, 10 * this.#datagrams, this.#datagrams);
  }
}

describe("a transfer", () => {
  it("counts fragments from the first, where the numbers of the wire begin anew", () => {
    const sender = new Sender();
    sender.isTold(65_535, 2);
    sender.sends(65_535, 40);
    sender.sends(0, 60);
    sender.hears(0);
    sender.isTold(0, 4);
    const record = sender.record();
    expect(record).toMatchObject({ fragmentCount: 2, bytes: 100 });
    expect([...record.sends.fragment]).toEqual([0, 1]);
    expect([...record.acknowledgedUs]).toEqual([Number.NaN, 20]);
    expect([...record.window.base]).toEqual([0, 1]);
    expect([...record.window.limit]).toEqual([2, 2]);
  });

  it("takes a fragment that is cut anew in place of the one before", () => {
    const sender = new Sender();
    sender.sends(500, 100);
    sender.loses(500);
    sender.sends(500, 70);
    sender.sends(501, 30);
    const record = sender.record();
    expect([...record.fragmentBytes]).toEqual([70, 30]);
    expect([...record.sends.fragment]).toEqual([0, 0, 1]);
    expect([...record.losses.fragment]).toEqual([0]);
    expect([...record.sentUs]).toEqual([0, 20]);
  });

  it("begins anew in another session, and forgets what was sent in the old one", () => {
    const sender = new Sender();
    sender.isTold(500, 16);
    sender.sends(500, 50);
    sender.sends(501, 50);
    sender.hears(500);
    sender.log.endSession();
    sender.isTold(9_000, 8);
    sender.sends(9_000, 60);
    sender.sends(9_001, 40);
    sender.hears(9_001);
    const record = sender.record();
    expect([...record.fragmentBytes]).toEqual([60, 40]);
    expect([...record.sends.datagram]).toEqual([2, 3]);
    expect([...record.sentUs]).toEqual([20, 30]);
    expect([...record.arrivedUs]).toEqual([25, 35]);
    expect([...record.acknowledgedUs]).toEqual([Number.NaN, 40]);
    expect([...record.window.limit]).toEqual([2]);
  });

  it("leaves out what never went on air", () => {
    const sender = new Sender();
    sender.sends(500, 50);
    sender.sends(501, 50);
    const record = sender.record(1);
    expect([...record.sends.fragment]).toEqual([0]);
    expect([...record.sentUs]).toEqual([0, Number.NaN]);
    expect([...record.arrivedUs]).toEqual([5, Number.NaN]);
  });
});
