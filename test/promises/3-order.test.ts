// Promise 3 of PROTOCOL.md, section 12: in order, and no channel waits for another.

import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeFrames, decodeHead } from "../../packages/core/src/wire/index.js";
import { bytesOf, Stage } from "./stage.js";

const BAD_AIR = {
  loss: 0.25,
  reordering: { probability: 0.3, delayUsMax: 100_000 },
  duplication: { probability: 0.3, delayUsMax: 300_000 },
};

/** Messages that say which one they are. */
function numbered(index: number, bytes: number): Uint8Array {
  const message = bytesOf(Math.max(2, bytes), index);
  message[0] = index >> 8;
  message[1] = index;
  return message;
}

function numberOf(bytes: Uint8Array): number {
  return ((bytes[0] ?? 0) << 8) | (bytes[1] ?? 0);
}

/** Whether a datagram holds a DATA frame of this wire channel. */
function hasChannel(datagram: Uint8Array, channel: number): boolean {
  const head = decodeHead(datagram);
  if (!head.ok) return false;
  const frames = decodeFrames(datagram, head.value.form === "long" ? 13 : 3, datagram.length - 2);
  return frames.ok && frames.value.some((each) => each.type === "data" && each.channel === channel);
}

describe("promise 3: in order, no waiting between channels", () => {
  it("each ordered channel delivers in the order of the calls, whatever the link does", async () => {
    const plan = fc.array(fc.record({ channel: fc.nat({ max: 5 }), bytes: fc.nat({ max: 700 }) }), {
      minLength: 2,
      maxLength: 30,
    });
    await fc.assert(
      fc.asyncProperty(plan, fc.integer({ min: 1, max: 1e6 }), async (sends, seed) => {
        const stage = await Stage.open({ medium: BAD_AIR, seed });
        const sendings = sends.map(({ channel, bytes }, index) =>
          stage.send("a", numbered(index, bytes), { channel }),
        );
        await stage.settle(sendings);
        for (let channel = 0; channel < 6; channel++) {
          const sent = sends.flatMap((send, index) => (send.channel === channel ? [index] : []));
          const got = stage.got.b.filter((message) => message.channel === channel);
          expect(got.map(({ bytes }) => numberOf(bytes))).toEqual(sent);
        }
      }),
      { numRuns: 40 },
    );
  });

  it("a fragment that is missing on one channel holds up no other", async () => {
    const stage = await Stage.open();
    await stage.settle([stage.send("a", bytesOf(3))]);
    stage.got.b.length = 0;
    const untilUs = stage.clock.nowUs() + 2e6;
    stage.passes = ({ from, bytes, atUs }) =>
      from === "a" && atUs < untilUs && hasChannel(bytes, 0) ? undefined : bytes;
    const stuck = stage.send("a", bytesOf(2000), { channel: 0 });
    const others = [1, 2, 3, 4, 5].map((channel) =>
      stage.send("a", bytesOf(2000, channel), { channel }),
    );
    await stage.settle(others, 2);
    expect(others.map(({ receipt }) => receipt?.outcome)).toEqual(others.map(() => "delivered"));
    expect(stage.clock.nowUs()).toBeLessThan(untilUs);
    expect(stuck.endedUs).toBe(-1);
    expect(stage.got.b.every(({ channel }) => channel !== 0)).toBe(true);
    await stage.settle([stuck]);
    expect(stuck.receipt?.outcome).toBe("delivered");
  });

  it("an ordered message waits for the one before it; an unordered one does not", async () => {
    for (const way of ["ordered", "unordered"] as const) {
      const stage = await Stage.open();
      await stage.settle([stage.send("a", bytesOf(3), { way, channel: 3 })]);
      let isLost = false;
      stage.passes = ({ from, bytes }) => {
        const isFirst = from === "a" && bytes.length === 250 && !isLost;
        isLost ||= isFirst;
        return isFirst ? undefined : bytes;
      };
      const sendings = [242, 30].map((bytes, index) =>
        stage.send("a", numbered(index, bytes), { way, channel: 3 }),
      );
      await stage.settle(sendings);
      expect(isLost).toBe(true);
      const order = stage.got.b.slice(1).map(({ bytes }) => numberOf(bytes));
      expect(order).toEqual(way === "ordered" ? [0, 1] : [1, 0]);
    }
  });

  it("a latest value never comes after a newer one, and the last one always arrives", async () => {
    const plan = fc.array(
      fc.record({ waitUs: fc.nat({ max: 30_000 }), bytes: fc.nat({ max: 600 }) }),
      { minLength: 1, maxLength: 40 },
    );
    await fc.assert(
      fc.asyncProperty(plan, fc.integer({ min: 1, max: 1e6 }), async (values, seed) => {
        const stage = await Stage.open({ medium: BAD_AIR, seed });
        const sendings = [];
        for (const [index, { waitUs, bytes }] of values.entries()) {
          sendings.push(stage.send("a", numbered(index, bytes), { way: "latest" }));
          await stage.pass(waitUs / 1e6);
        }
        await stage.settle(sendings);
        const got = stage.got.b.map(({ bytes }) => numberOf(bytes));
        expect(got).toEqual([...got].sort((one, other) => one - other));
        expect(got.at(-1)).toBe(values.length - 1);
        expect(sendings.at(-1)?.receipt?.outcome).toBe("delivered");
        for (const { receipt } of sendings)
          expect(["delivered", "replaced"]).toContain(receipt?.outcome);
      }),
      { numRuns: 40 },
    );
  });
});
