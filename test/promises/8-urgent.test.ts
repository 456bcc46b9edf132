// Promise 8 of PROTOCOL.md, section 12: urgent stays urgent.

import type { Priority, Way } from "@fardel/core";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { bytesOf, Stage } from "./stage.js";

/** Bytes of the urgent message: found again in the datagram that carries it. */
const URGENT = bytesOf(24, 99);

function carriesUrgent(datagram: Uint8Array): boolean {
  for (let at = 0; at + URGENT.length <= datagram.length; at++) {
    if (URGENT.every((byte, offset) => byte === datagram[at + offset])) return true;
  }
  return false;
}

describe("promise 8: urgent stays urgent", () => {
  it("at most what was handed to the link goes out before it", async () => {
    const plan = fc.record({
      linkDepth: fc.integer({ min: 1, max: 8 }),
      outstandingMax: fc.integer({ min: 1, max: 8 }),
      window: fc.integer({ min: 1, max: 255 }),
      atUs: fc.integer({ min: 5000, max: 400_000 }),
      way: fc.constantFrom<Way>("ordered", "unordered", "latest", "unacknowledged"),
      blobs: fc.array(
        fc.record({
          priority: fc.constantFrom<Priority>("bulk", "normal"),
          way: fc.constantFrom<Way>("ordered", "unordered", "latest"),
        }),
        { minLength: 1, maxLength: 4 },
      ),
      loss: fc.constantFrom(0, 0.2),
      seed: fc.integer({ min: 1, max: 1e6 }),
    });
    await fc.assert(
      fc.asyncProperty(plan, async ({ linkDepth, outstandingMax, window, atUs, way, ...rest }) => {
        const { blobs, loss, seed } = rest;
        const stage = await Stage.open({
          medium: { loss, outstandingMax },
          seed,
          a: { linkDepth, window },
          b: { window },
        });
        for (const [index, options] of blobs.entries())
          stage.send("a", bytesOf(60_000, index), options);
        await stage.pass(atUs / 1e6);
        // The session must be open: until then nothing of a blob is under way.
        if (!stage.a.peer(stage.addressOf("b")).report()?.isVerified) return;
        const before: Uint8Array[] = [];
        let isOut = false;
        stage.medium.observe(({ from, datagram, copy }) => {
          if (copy || from.at(-1) !== stage.addressOf("a").at(-1) || isOut) return;
          isOut = carriesUrgent(datagram);
          if (!isOut) before.push(datagram.slice());
        });
        const urgent = stage.send("a", URGENT, { priority: "urgent", way });
        await stage.clock.run({
          untilUs: stage.clock.nowUs() + 5e6,
          until: () => isOut || urgent.endedUs >= 0,
        });
        expect(isOut).toBe(true);
        expect(before.length).toBeLessThanOrEqual(Math.min(linkDepth, outstandingMax));
      }),
      { numRuns: 80 },
    );
  });

  it("with many peers it does not wait for their blobs either", async () => {
    const stage = await Stage.open();
    const boards = Array.from({ length: 20 }, (_, index) => Uint8Array.of(2, 0, 0, 0, 1, index));
    for (const address of boards) {
      const radio = stage.medium.attach({ address });
      radio.open({ onDatagram: () => {} });
      void stage.a
        .peer(address)
        .send(bytesOf(100), { priority: "bulk" })
        .catch(() => {});
    }
    await stage.pass(0.001);
    const outUs: number[] = [];
    stage.medium.observe(({ datagram }) => {
      if (carriesUrgent(datagram)) outUs.push(stage.clock.nowUs());
    });
    const startUs = stage.clock.nowUs();
    stage.send("a", URGENT, { priority: "urgent" });
    await stage.pass(1);
    const openingUs = stage.radio("a").airtimeUs(250);
    expect((outUs[0] ?? Number.POSITIVE_INFINITY) - startUs).toBeLessThan(3 * openingUs);
  });

  it("a command overtakes a blob of 100 kB by far", async () => {
    const stage = await Stage.open();
    const blob = stage.send("a", bytesOf(100_000), { priority: "bulk" });
    await stage.pass(0.5);
    const startUs = stage.clock.nowUs();
    const command = stage.send("a", URGENT, { priority: "urgent" });
    await stage.settle([command]);
    const fullUs = stage.radio("a").airtimeUs(250);
    // Two datagrams handed over, its own, the ack, and a datagram each that was ahead of the ack.
    expect(command.endedUs - startUs).toBeLessThan(8 * fullUs);
    expect(blob.endedUs).toBe(-1);
    await stage.settle([blob]);
    expect(blob.receipt?.outcome).toBe("delivered");
  });
});
