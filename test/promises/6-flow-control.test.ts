// Promise 6 of PROTOCOL.md, section 12: flow control end to end.

import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { bytesOf, type Sending, Stage } from "./stage.js";

const BUDGET = { messageBytesMax: 3000, peerBytesMax: 8000, totalBytesMax: 8000 };
const MESSAGES = 60;

describe("promise 6: flow control end to end", () => {
  it("a reader that stops for ten minutes loses nothing, and nobody is given up", async () => {
    for (const loss of [0, 0.2]) {
      const stage = await Stage.open({ medium: { loss }, b: BUDGET });
      const b = await stage.boot("b", false);
      const ends: string[] = [];
      stage.a.on("session-ended", ({ why }) => ends.push(why));
      const sendings = sendMany(stage);
      await stage.pass(600);
      const open = sendings.filter(({ endedUs }) => endedUs < 0).length;
      expect(open).toBeGreaterThan(MESSAGES / 2);
      expect(sendings.every(({ error }) => error === undefined)).toBe(true);
      expect(b.heldBytes).toBeLessThanOrEqual(BUDGET.peerBytesMax);
      const got: Uint8Array[] = [];
      void (async () => {
        for await (const { bytes } of b.messages()) got.push(bytes);
      })();
      const resumedUs = stage.clock.nowUs();
      await stage.settle(sendings, 300);
      await stage.pass(1);
      expect(ends).toEqual([]);
      expect(got).toEqual(sendings.map((_, index) => bytesOf(1000, index)));
      // It goes on soon, not at the next slow probe: the opened window is told.
      expect(stage.clock.nowUs() - resumedUs).toBeLessThan(30e6);
      expect(b.heldBytes).toBe(0);
    }
  });

  it("a waiting sender asks now and then, and no more", async () => {
    const stage = await Stage.open({ b: BUDGET });
    await stage.boot("b", false);
    sendMany(stage);
    await stage.pass(60);
    const before = stage.tape.length;
    await stage.pass(600);
    // At most every 5 s once it has backed off: PROTOCOL.md, 7.4 and 8. Two datagrams each time.
    expect(stage.tape.length - before).toBeLessThanOrEqual(2 * 130);
    expect(stage.tape.length - before).toBeGreaterThan(100);
  });

  it("window updates that are lost are found out by asking", async () => {
    const stage = await Stage.open({ b: BUDGET });
    const b = await stage.boot("b", false);
    const sendings = sendMany(stage);
    await stage.pass(30);
    stage.passes = ({ from, bytes }) => (from === "b" ? undefined : bytes);
    let count = 0;
    void (async () => {
      for await (const _ of b.messages()) count++;
    })();
    await stage.pass(2);
    stage.passes = ({ bytes }) => bytes;
    await stage.settle(sendings, 300);
    await stage.pass(1);
    expect(count).toBe(MESSAGES);
  });

  it("the send queue of the link is never overrun", async () => {
    const plan = fc.record({
      outstandingMax: fc.integer({ min: 1, max: 6 }),
      linkDepth: fc.integer({ min: 1, max: 10 }),
      window: fc.integer({ min: 1, max: 255 }),
      loss: fc.constantFrom(0, 0.3),
      neighbourAcks: fc.boolean(),
    });
    await fc.assert(
      fc.asyncProperty(plan, async ({ linkDepth, window, ...medium }) => {
        const stage = await Stage.open({ medium, a: { linkDepth, window }, b: { window } });
        const sendings = [
          stage.send("a", bytesOf(20_000), { priority: "bulk" }),
          stage.send("a", bytesOf(3000)),
          stage.send("b", bytesOf(3000)),
        ];
        await stage.settle(sendings);
        expect(sendings.every(({ receipt }) => receipt !== undefined)).toBe(true);
        // BootLink also throws when more are handed over than the endpoint may have outstanding.
        expect(stage.medium.statistics.refused.datagrams).toBe(0);
      }),
      { numRuns: 40 },
    );
  });

  it("a link that refuses half of what it is offered costs time, not messages", async () => {
    const stage = await Stage.open({ medium: { outstandingMax: 2 }, a: { linkDepth: 2 } });
    const radio = stage.radio("a");
    const send = radio.send.bind(radio);
    let offered = 0;
    radio.send = (to, datagram, done) => {
      if (offered++ % 2 === 0) send(to, datagram, done);
      else stage.clock.setTimer(stage.clock.nowUs(), () => done("refused"));
    };
    const sending = stage.send("a", bytesOf(20_000));
    await stage.settle([sending], 60);
    expect(sending.receipt?.outcome).toBe("delivered");
    expect(stage.a.reports()[0]?.sendsRefused).toBeGreaterThan(10);
    expect(stage.got.b[0]?.bytes).toEqual(bytesOf(20_000));
  });

  it("a stream that is read slowly holds no more than its share, and arrives whole", async () => {
    const streamBytesMax = 4000;
    const window = 8;
    const stage = await Stage.open({ b: { accept: () => "stream", streamBytesMax, window } });
    const { b } = stage;
    const blob = bytesOf(60_000);
    const sending = stage.send("a", blob);
    const pieces: number[] = [];
    const read = (async () => {
      const { value: stream } = await b.streams().next();
      await stage.clock.delay(300_000_000);
      for await (const piece of stream) {
        pieces.push(...piece);
        await stage.clock.delay(5000);
      }
    })();
    const reading = stage.watch(read);
    let most = 0;
    await stage.clock.run({
      untilUs: 700e6,
      until: () => {
        most = Math.max(most, b.heldBytes);
        return reading.endedUs >= 0;
      },
    });
    expect(Uint8Array.from(pieces)).toEqual(blob);
    // What is unread, and what waits out of order: a window of full datagrams, 64 bytes each more.
    expect(most).toBeLessThanOrEqual(streamBytesMax + window * (250 + 64));
    expect(sending.receipt?.outcome).toBe("delivered");
  });
});

function sendMany(stage: Stage): Sending[] {
  const options = { deadlineMs: 3_600_000 };
  return Array.from({ length: MESSAGES }, (_, index) =>
    stage.send("a", bytesOf(1000, index), options),
  );
}
