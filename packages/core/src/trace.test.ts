import { lossyPair, presets, Trace, VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Endpoint, type EndpointOptions } from "./endpoint.js";
import type { TraceFact } from "./protocol/trace.js";
import { seededRandom } from "./protocol/wired-pair.js";
import { serialDistance } from "./wire/serial-number.js";

interface Air {
  readonly seed: number;
  readonly loss: number;
  readonly reorder: boolean;
  readonly acks: boolean;
}

const air = fc.record<Air>({
  seed: fc.nat(1e6),
  loss: fc.constantFrom(0, 0.1, 0.3),
  reorder: fc.boolean(),
  acks: fc.boolean(),
});

/** Sends 6,000 bytes and 20 commands over it. */
async function run({ seed, loss, reorder, acks }: Air, gatewayOptions: Partial<EndpointOptions>) {
  const clock = new VirtualClock();
  const reordering = { probability: reorder ? 0.1 : 0, delayUsMax: 9000 };
  const media = { ...presets.reference(), loss, reordering, neighbourAcks: acks };
  const pair = lossyPair({ ...media, clock, seed });
  const watched = new Trace(pair.medium);
  const random = seededRandom(seed);
  const gateway = await Endpoint.open({ link: pair.a, clock, random, ...gatewayOptions });
  const board = await Endpoint.open({ link: pair.b, clock, random: seededRandom(seed + 1) });
  board.onMessage(() => {});
  const peer = gateway.peer(pair.b.localAddress);
  const sends = [peer.send(new Uint8Array(6000), { priority: "bulk" })];
  for (let count = 0; count < 20; count++) {
    sends.push(peer.send(new Uint8Array(32), { priority: "urgent" }));
  }
  let isDone = false;
  const all = Promise.all(sends).then((receipts) => {
    isDone = true;
    return receipts;
  });
  await clock.run({ until: () => isDone, untilUs: 60_000_000 });
  const receipts = await all;
  const report = peer.report();
  await gateway.close();
  await board.close();
  return { receipts, report, hash: watched.hash };
}

describe("the option trace", () => {
  it("changes nothing", async () => {
    await fc.assert(
      fc.asyncProperty(air, async (each) => {
        const plain = await run(each, {});
        const traced = await run(each, { trace: () => {} });
        expect(traced.hash).toBe(plain.hash);
      }),
      { numRuns: 20 },
    );
  });

  it("tells each sending, loss and acknowledgement of a fragment, in an order that can be", async () => {
    await fc.assert(
      fc.asyncProperty(air, async (each) => {
        const facts: TraceFact[] = [];
        const { receipts, report } = await run(each, { trace: (fact) => facts.push(fact) });
        const states = new Map<string, "in-flight" | "lost" | "acknowledged">();
        const limits = new Map<number, number>();
        let sent = 0;
        let repeated = 0;
        let bytes = 0;
        for (const fact of facts) {
          if (fact.type === "probe-sent") continue;
          if (fact.type === "window-told") {
            limits.set(fact.channel, fact.limit);
            continue;
          }
          const key = `${fact.channel} ${fact.fragment}`;
          const state = states.get(key);
          switch (fact.type) {
            case "fragment-sent": {
              sent++;
              repeated += Number(fact.isRepeat);
              bytes += fact.isRepeat ? 0 : fact.bytes;
              expect(fact.isRepeat).toBe(state !== undefined);
              expect(state).not.toBe("acknowledged");
              const limit = limits.get(fact.channel);
              if (limit !== undefined && !fact.isRepeat)
                expect(serialDistance(fact.fragment, limit)).toBeLessThan(0x8000);
              states.set(key, "in-flight");
              break;
            }
            case "fragment-lost":
              expect(state).toBe("in-flight");
              states.set(key, "lost");
              break;
            case "fragment-acknowledged":
              expect(state === "in-flight" || state === "lost").toBe(true);
              states.set(key, "acknowledged");
              break;
          }
        }
        const sum = (of: (receipt: (typeof receipts)[number]) => number) =>
          receipts.reduce((total, receipt) => total + of(receipt), 0);
        expect(sent - repeated).toBe(sum(({ fragmentsSent }) => fragmentsSent));
        expect(repeated).toBe(sum(({ fragmentsRepeated }) => fragmentsRepeated));
        expect(bytes).toBe(6000 + 20 * 32);
        expect(limits.size).toBeGreaterThan(0);
        expect(new Set(states.values())).toEqual(new Set(["acknowledged"]));
        expect(facts.filter(({ type }) => type === "probe-sent").length).toBeGreaterThanOrEqual(
          report?.probesSent ?? 0,
        );
      }),
      { numRuns: 30 },
    );
  });

  it("says why a fragment was taken for lost", async () => {
    const causesOn = async (each: Air) => {
      const causes = new Set<string>();
      await run(each, {
        trace: (fact) => {
          if (fact.type === "fragment-lost") causes.add(fact.cause);
        },
      });
      return causes;
    };
    const base = { seed: 5, loss: 0.3, reorder: false, acks: false };
    expect(await causesOn(base)).toContain("overtaken");
    expect(await causesOn({ ...base, acks: true })).toContain("link");
    const reordered = new Set<string>();
    for (let seed = 0; seed < 20 && !reordered.has("late"); seed++) {
      for (const cause of await causesOn({ ...base, seed, loss: 0.1, reorder: true }))
        reordered.add(cause);
    }
    expect(reordered).toContain("late");
    expect(await causesOn({ ...base, loss: 0 })).toEqual(new Set());
  });

  it("survives a listener that throws", async () => {
    const uncaught: unknown[] = [];
    const note = (error: unknown) => uncaught.push(error);
    const others = process.listeners("uncaughtException");
    process.removeAllListeners("uncaughtException");
    process.on("uncaughtException", note);
    try {
      const trace = () => {
        throw new Error("of the listener");
      };
      const { receipts } = await run({ seed: 1, loss: 0, reorder: false, acks: false }, { trace });
      expect(receipts[0]?.outcome).toBe("delivered");
      await new Promise(setImmediate);
      expect(uncaught[0]).toMatchObject({ message: "of the listener" });
    } finally {
      process.removeListener("uncaughtException", note);
      for (const listener of others) process.on("uncaughtException", listener);
    }
  });
});
