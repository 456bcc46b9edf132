// Promise 2 of PROTOCOL.md, section 12: exactly once per session, fragments never spliced.

import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { bytesOf, type Sending, type Side, Stage } from "./stage.js";

const BLOB = bytesOf(900, 7);
const OTHER_BLOB = bytesOf(900, 8);
const MTU_BYTES = 100;

describe("promise 2: exactly once per session", () => {
  it("every datagram that comes twice, soon or late, is taken once", async () => {
    for (const delayUsMax of [0, 1000, 50_000, 1_000_000, 20_000_000]) {
      const stage = await Stage.open({
        medium: { duplication: { probability: 1, delayUsMax } },
      });
      const ways = ["ordered", "unordered", "latest", "unacknowledged"] as const;
      const sendings = ways.flatMap((way) =>
        [0, 1, 2, 3].map((channel) =>
          stage.send("a", bytesOf(300 * channel, channel), { way, channel }),
        ),
      );
      await stage.settle(sendings);
      await stage.pass(60);
      expect(sendings.every(({ receipt }) => receipt !== undefined)).toBe(true);
      const got = stage.got.b.map(({ way, channel }) => `${way} ${channel}`);
      expect(got.sort()).toEqual(
        ways.flatMap((way) => [0, 1, 2, 3].map((n) => `${way} ${n}`)).sort(),
      );
    }
  });

  it("each single and each pair of lost datagrams of a short exchange leaves one of each", async () => {
    const clean = await shortExchange(new Set());
    expect(clean).toBeGreaterThan(4);
    for (let one = 0; one < clean + 2; one++) {
      for (let two = one; two < clean + 4; two++) await shortExchange(new Set([one, two]));
    }
  });

  it("whatever is said again after the end, in any order, is not taken again", async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.array(fc.nat({ max: 200 }), { minLength: 1, maxLength: 60 }),
        async (picks) => {
          const stage = await Stage.open({ medium: { mtuBytes: MTU_BYTES } });
          await stage.settle([stage.send("a", BLOB), stage.send("b", bytesOf(20))]);
          await stage.pass(5);
          const tape = [...stage.tape];
          for (const pick of picks) {
            const { from, bytes } = tape[pick % tape.length] as (typeof tape)[number];
            stage.inject(from === "a" ? "b" : "a", bytes);
            await stage.pass(0.01);
          }
          await stage.pass(60);
          expect(stage.got.b.length).toBe(1);
          expect(stage.got.a.length).toBe(1);
          // And the session goes on as if nothing had been.
          await stage.settle([stage.send("a", OTHER_BLOB)]);
          expect(stage.got.b[1]?.bytes).toEqual(OTHER_BLOB);
        },
      ),
      { numRuns: 40 },
    );
  });

  for (const side of ["a", "b"] as const) {
    it(`a restart of ${side} at each datagram of a blob splices nothing`, async () => {
      const clean = await restartAt(side, Number.POSITIVE_INFINITY, "report");
      expect(clean.length).toBeGreaterThan(8);
      for (let index = 0; index < clean.length; index++) await restartAt(side, index, "report");
    });
  }

  it("with resend a blob arrives at the new incarnation, wherever the restart was", async () => {
    const clean = await restartAt("b", Number.POSITIVE_INFINITY, "resend");
    for (let index = 0; index < clean.length - 1; index++) await restartAt("b", index, "resend");
  });

  it("a message that waited for the handshake does not come again after a restart", async () => {
    const stage = await Stage.open();
    await stage.settle([stage.send("a", bytesOf(30), { firstContact: "handshake" })]);
    expect(stage.got.b.length).toBe(1);
    await stage.boot("b");
    for (const { from, bytes } of [...stage.tape]) if (from === "a") stage.inject("b", bytes);
    await stage.pass(60);
    expect(stage.got.b.length).toBe(1);
  });

  it("a stale opening does not end the session that there is", async () => {
    const stage = await Stage.open();
    await stage.settle([stage.send("a", bytesOf(30))]);
    const opening = stage.tape[0] as (typeof stage.tape)[number];
    await stage.boot("a");
    await stage.settle([stage.send("a", bytesOf(31))]);
    const ends: string[] = [];
    stage.b.on("session-ended", ({ why }) => ends.push(why));
    stage.inject("b", opening.bytes);
    await stage.pass(60);
    await stage.settle([stage.send("a", bytesOf(32))]);
    expect(ends).toEqual([]);
    expect(stage.got.b.map(({ bytes }) => bytes.length)).toEqual([30, 31, 32]);
  });
});

/** A command with its answer, two blobs; the datagrams of these places are lost. */
async function shortExchange(lost: ReadonlySet<number>): Promise<number> {
  const stage = await Stage.open({ medium: { mtuBytes: MTU_BYTES } });
  stage.passes = ({ index, bytes }) => (lost.has(index) ? undefined : bytes);
  const blob = BLOB.subarray(0, 250);
  const sendings = [
    stage.send("a", bytesOf(20), { priority: "urgent" }),
    stage.send("a", blob),
    stage.send("b", bytesOf(10)),
  ];
  await stage.settle(sendings, 300);
  const outcomes = sendings.map(({ receipt }) => receipt?.outcome);
  expect(outcomes, [...lost].join()).toEqual(["delivered", "delivered", "delivered"]);
  expect(lengths(stage, "b"), [...lost].join()).toEqual([20, 250]);
  expect(lengths(stage, "a"), [...lost].join()).toEqual([10]);
  return stage.tape.length;
}

function lengths(stage: Stage, side: Side): number[] {
  return stage.got[side].map(({ bytes }) => bytes.length).sort((one, other) => one - other);
}

/**
 * A blob from a to b; at the datagram of this place one side restarts, then a sends another one.
 * Everything that was ever sent before is said once more, late.
 */
async function restartAt(side: Side, index: number, afterRestart: "report" | "resend") {
  const stage = await Stage.open({ medium: { mtuBytes: MTU_BYTES } });
  const sendings: Sending[] = [];
  let isRestarted = false;
  stage.passes = (datagram) => {
    if (datagram.index !== index) return datagram.bytes;
    isRestarted = true;
    return undefined;
  };
  const blob = stage.send("a", BLOB, { afterRestart, firstContact: "handshake" });
  await stage.clock.run({ untilUs: 60e6, until: () => isRestarted || blob.endedUs >= 0 });
  if (isRestarted) {
    await stage.boot(side);
    const tape = [...stage.tape];
    sendings.push(stage.send("a", OTHER_BLOB, { afterRestart, firstContact: "handshake" }));
    await stage.pass(0.005);
    for (const { from, bytes } of tape) {
      stage.inject(from === "a" ? "b" : "a", bytes);
      await stage.pass(0.0005);
    }
  }
  const isForgotten = isRestarted && side === "a";
  await stage.settle(isForgotten ? sendings : [...sendings, blob], 600);
  const whole = stage.got.b.map(({ bytes }) => bytes);
  const first = whole.filter((bytes) => equal(bytes, BLOB)).length;
  const second = whole.filter((bytes) => equal(bytes, OTHER_BLOB)).length;
  expect(first + second, `restart at ${index}`).toBe(whole.length);
  const next = sendings[0];
  // What went into the old session before that was found out is reported, and may have arrived.
  if (side === "b" && next?.error) expect(next.error.code).toBe("peer-restarted");
  else expect(second, `restart at ${index}: ${next?.error}`).toBe(isRestarted ? 1 : 0);
  if (afterRestart === "resend") expect(blob.receipt?.outcome).toBe("delivered");
  else expect(first, `restart at ${index}`).toBeLessThanOrEqual(1);
  if (blob.receipt) expect(first, `restart at ${index}`).toBeGreaterThanOrEqual(1);
  else if (!isForgotten) expect(blob.error?.code).toBe("peer-restarted");
  return stage.tape;
}

function equal(one: Uint8Array, other: Uint8Array): boolean {
  return one.length === other.length && one.every((byte, at) => byte === other[at]);
}
