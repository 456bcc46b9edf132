// Promise 1 of PROTOCOL.md, section 12: whole or not at all.

import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Resealer } from "./reseal.js";
import { bytesOf, Stage } from "./stage.js";

const WAYS = ["ordered", "unordered", "latest", "unacknowledged"] as const;
/** Bytes before the CRC-16 of a datagram that belong to a message, whatever else is in it. */
const INSIDE = 6;

describe("promise 1: whole or not at all", () => {
  it("any bytes arrive as they were, over datagrams of any size, in each way", async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.uint8Array({ maxLength: 3000 }),
        fc.integer({ min: 20, max: 1500 }),
        fc.constantFrom(...WAYS),
        async (bytes, mtuBytes, way) => {
          const stage = await Stage.open({ medium: { mtuBytes } });
          // 128 fragments at most: PROTOCOL.md, section 3.7.
          const sent = way === "unacknowledged" ? bytes.subarray(0, 1000) : bytes;
          await stage.settle([stage.send("a", sent, { way })]);
          await stage.pass(1);
          expect(stage.got.b.map((message) => message.bytes)).toEqual([sent]);
        },
      ),
      { numRuns: 60 },
    );
  });

  it("also when datagrams are lost, repeated, late, or damaged in up to three bits", async () => {
    // CRC-16 finds every damage of up to three bits: Hamming distance 4 (PROTOCOL.md, section 12).
    await fc.assert(
      fc.asyncProperty(
        fc.uint8Array({ minLength: 1, maxLength: 4000 }),
        fc.integer({ min: 1, max: 1_000_000 }),
        fc.integer({ min: 1, max: 3 }),
        async (bytes, seed, bitsMax) => {
          const medium = {
            loss: 0.2,
            corruption: { probability: 0.3, bitsMin: 1, bitsMax },
            duplication: { probability: 0.2, delayUsMax: 200_000 },
            reordering: { probability: 0.2, delayUsMax: 50_000 },
          };
          // So bad a link may be silent for half a minute; what is tested here is what arrives.
          const a = { unreachableUs: 3_600_000_000 };
          const stage = await Stage.open({ medium, seed, a });
          const sending = stage.send("a", bytes);
          await stage.settle([sending]);
          expect(sending.receipt?.outcome).toBe("delivered");
          expect(stage.got.b.map((message) => message.bytes)).toEqual([bytes]);
        },
      ),
      { numRuns: 60 },
    );
  });

  it("the bytes are the caller's at the moment of the call", async () => {
    const stage = await Stage.open();
    const bytes = bytesOf(1000);
    const before = bytes.slice();
    const sending = stage.send("a", bytes);
    bytes.fill(0);
    await stage.settle([sending]);
    expect(stage.got.b[0]?.bytes).toEqual(before);
  });

  it("a bit that flips anywhere in any datagram of an exchange changes nothing", async () => {
    const bytes = bytesOf(400);
    const clean = await exchange(bytes, () => undefined);
    expect(clean).toBeGreaterThan(5);
    for (let index = 0; index < clean; index++) {
      for (let bit = index % 3; bit < 8 * 100; bit += 29) {
        await exchange(bytes, (at, datagram) => {
          if (at === index && bit >> 3 < datagram.length)
            datagram[bit >> 3] = (datagram[bit >> 3] ?? 0) ^ (0x80 >> (bit & 7));
        });
      }
    }
  });

  it("damage that the CRC-16 lets pass is found by the CRC-32, and the message sent anew", async () => {
    const stage = await Stage.open();
    const resealer = new Resealer();
    let left = 1;
    stage.passes = (datagram) => {
      resealer.learn(datagram);
      const isBlob = datagram.from === "a" && datagram.bytes.length === 250;
      if (!isBlob || left === 0) return datagram.bytes;
      const damaged = resealer.damage(datagram, INSIDE);
      if (damaged !== datagram.bytes) left--;
      return damaged;
    };
    const bytes = bytesOf(2000);
    const sending = stage.send("a", bytes);
    await stage.settle([sending]);
    expect(left).toBe(0);
    expect(sending.receipt?.outcome).toBe("delivered");
    expect(sending.receipt?.fragmentsSent).toBeGreaterThan(12);
    expect(stage.got.b.map((message) => message.bytes)).toEqual([bytes]);
  });

  it("if it is damaged each time, it is reported and never delivered", async () => {
    const stage = await Stage.open();
    const resealer = new Resealer();
    stage.passes = (datagram) => {
      resealer.learn(datagram);
      const isBlob = datagram.from === "a" && datagram.bytes.length === 250;
      return isBlob ? resealer.damage(datagram, INSIDE) : datagram.bytes;
    };
    const sending = stage.send("a", bytesOf(2000));
    await stage.settle([sending]);
    expect(sending.error?.code).toBe("damaged");
    expect(stage.got.b).toEqual([]);
  });
});

/** A message there and another one back; both must arrive whole. @returns datagrams that it took */
async function exchange(
  bytes: Uint8Array,
  touch: (index: number, datagram: Uint8Array) => void,
): Promise<number> {
  const stage = await Stage.open({ medium: { mtuBytes: 100 } });
  stage.passes = ({ index, bytes: datagram }) => {
    const copy = datagram.slice();
    touch(index, copy);
    return copy;
  };
  await stage.settle([stage.send("a", bytes), stage.send("b", bytes)]);
  expect(stage.got.b.map((message) => message.bytes)).toEqual([bytes]);
  expect(stage.got.a.map((message) => message.bytes)).toEqual([bytes]);
  return stage.tape.length;
}
