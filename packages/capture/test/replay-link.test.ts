import { Endpoint, type Link } from "@fardel/core";
import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { createPairKey, KeyRing } from "@fardel/pairing";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { CapturedDatagram } from "../src/captured.js";
import { recordLink } from "../src/record-link.js";
import { ReplayLink } from "../src/replay/replay-link.js";
import { KEPT_RUNS } from "./kept-runs.js";
import { type Deed, type Faults, listen, replay, run, WAYS } from "./recorded-run.js";

const deed: fc.Arbitrary<Deed> = fc.record({
  atMs: fc.nat(3000),
  side: fc.constantFrom("a", "b"),
  what: fc.oneof(
    { arbitrary: fc.constant("send" as const), weight: 12 },
    { arbitrary: fc.constant("close" as const), weight: 1 },
    { arbitrary: fc.constant("restart" as const), weight: 1 },
  ),
  way: fc.constantFrom(...WAYS),
  channel: fc.nat(3),
  size: fc.oneof(fc.nat(30), fc.nat(3000)),
});

const faults: fc.Arbitrary<Faults> = fc.record({
  seed: fc.integer({ min: 1, max: 1e9 }),
  loss: fc.constantFrom(0, 0.1, 0.3),
  duplication: fc.constantFrom(null, { probability: 0.1, delayUsMin: 0, delayUsMax: 500_000 }),
  reordering: fc.constantFrom(null, { probability: 0.1, delayUsMin: 100, delayUsMax: 100_000 }),
  corruption: fc.constantFrom(null, { probability: 0.05, bitsMin: 1, bitsMax: 3 }),
  jitterUs: fc.constantFrom(0, 0, 20_000),
});

const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 1);
const BOARD = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
const HEAD = { link: "test", mtuBytes: 250, startedAt: new Date(0), localAddress: GATEWAY };

/** A gateway and a board on a good channel; what passes over the gateway's link. */
async function recordOne(
  deeds: (gateway: Endpoint, board: Endpoint) => Promise<void>,
  rings: { readonly gateway?: KeyRing; readonly board?: KeyRing } = {},
) {
  const clock = new VirtualClock();
  const medium = new Medium({ clock, seed: 3, ...presets.reference() });
  const datagrams: CapturedDatagram[] = [];
  const open = (link: Link, protection: KeyRing | undefined) =>
    Endpoint.open({ link, clock, ...(protection && { protection }) });
  const recorded = recordLink(medium.attach({ address: GATEWAY }), clock, (datagram) =>
    datagrams.push(datagram),
  );
  const gateway = await open(recorded, rings.gateway);
  const board = await open(medium.attach({ address: BOARD }), rings.board);
  let isOver = false;
  const over = deeds(gateway, board).finally(() => {
    isOver = true;
  });
  await clock.run({ until: () => isOver, untilUs: 60e6 });
  await over;
  await clock.run({ untilUs: clock.nowUs() + 1e6 });
  return { datagrams, clock };
}

describe("ReplayLink", () => {
  it("gives the messages that either side received, byte for byte and in order, whatever went wrong", async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.array(deed, { minLength: 1, maxLength: 25 }),
        faults,
        async (all, bad) => {
          const deeds = all.sort((one, other) => one.atMs - other.atMs);
          for (const recorded of await run(deeds, bad)) {
            const { messages, link } = await replay(recorded);
            expect(messages).toEqual(recorded.messages);
            // To a station that has restarted its peer may still speak in the session before; and
            // damage can make anything look like that.
            const isClear = !bad.corruption && !deeds.some(({ what }) => what === "restart");
            if (isClear) expect(link.gaps).toEqual([]);
            expect(link.remaining).toBe(0);
          }
        },
      ),
      { seed: 7, numRuns: 200 },
    );
  });

  it.each(KEPT_RUNS)("gives them in a run with $name", async ({ deeds, faults: bad }) => {
    for (const recorded of await run(deeds, bad)) {
      const { messages } = await replay(recorded);
      expect(messages).toEqual(recorded.messages);
    }
  });

  it("gives requests again, and plays as fast as it is told", async () => {
    const { datagrams, clock } = await recordOne(async (gateway, board) => {
      (async () => {
        for await (const request of gateway.requests())
          request.reply(request.bytes).catch(() => {});
      })();
      const reply = await board.peer(GATEWAY).request(Uint8Array.of(1, 2, 3));
      expect(reply).toEqual(Uint8Array.of(1, 2, 3));
    });
    const later = new VirtualClock();
    await later.run({ untilUs: 77 });
    const link = new ReplayLink({ head: HEAD, datagrams }, { clock: later, speed: 4 });
    const endpoint = await Endpoint.open({ link, clock: later, random: link.random });
    const requests = endpoint.requests();
    const first = requests.next();
    let finishedUs = 0;
    link.finished.then(() => {
      finishedUs = later.nowUs();
    });
    await later.run({ untilUs: 2 * clock.nowUs() + 1e6 });
    await expect(first).resolves.toMatchObject({ value: { bytes: Uint8Array.of(1, 2, 3) } });
    const lastUs = datagrams.filter(({ direction }) => direction === "received").at(-1)?.atUs ?? 0;
    expect(finishedUs).toBe(77 + Math.round(lastUs / 4));
    // It sent answers into nowhere; they are kept.
    expect(link.sent.length).toBeGreaterThan(0);
    expect(link.sent[0]).toMatchObject({ direction: "sent", to: BOARD, outcome: "sent" });
  });

  it("plays a protected session that the peer opened, with the key of the pair", async () => {
    const ring = (side: "initiator" | "responder", address: Uint8Array) => {
      const keys = new KeyRing();
      const secret = new Uint8Array(32).fill(7);
      keys.restore({
        address,
        name: "",
        keys: [createPairKey(secret, side)],
        usedIndex: 0,
        isRevoked: false,
      });
      return keys;
    };
    const messages: string[] = [];
    const { datagrams } = await recordOne(
      async (gateway, board) => {
        listen(gateway, messages);
        for (const size of [20, 3000])
          await board.peer(GATEWAY).send(new Uint8Array(size).fill(size));
      },
      { gateway: ring("initiator", BOARD), board: ring("responder", GATEWAY) },
    );
    expect(messages).toHaveLength(2);
    const again: string[] = [];
    const clock = new VirtualClock();
    const link = new ReplayLink({ head: HEAD, datagrams }, { clock, hasKeys: () => true });
    const protection = ring("initiator", BOARD);
    const endpoint = await Endpoint.open({ link, clock, random: link.random, protection });
    listen(endpoint, again);
    await clock.run({ untilUs: 60e6 });
    expect([again, link.gaps]).toEqual([messages, []]);
    const { gaps } = new ReplayLink({ head: HEAD, datagrams }, { clock });
    expect(gaps).toEqual([{ why: "protected", peer: BOARD, datagrams: expect.any(Number) }]);
  });

  it("says what it cannot play", async () => {
    const { datagrams } = await recordOne(async (gateway, board) => {
      for (const size of [2000, 1000]) await gateway.peer(BOARD).send(new Uint8Array(size));
      await board.peer(GATEWAY).send(Uint8Array.of(1));
    });
    const clock = new VirtualClock();
    const gapsOf = (some: readonly CapturedDatagram[]) =>
      new ReplayLink({ head: HEAD, datagrams: some }, { clock }).gaps;
    expect(gapsOf(datagrams)).toEqual([]);
    const isOpening = ({ bytes }: CapturedDatagram) => ((bytes[0] ?? 0) & 0x30) === 0x10;
    const late = datagrams.filter((datagram) => !isOpening(datagram));
    const count = late.filter(({ direction }) => direction === "received").length;
    expect(gapsOf(late)).toEqual([{ why: "began-before", peer: BOARD, datagrams: count }]);
    const [one] = datagrams.filter(({ direction }) => direction === "received");
    const { from: _, ...stranger } = one!;
    expect(gapsOf([stranger])).toEqual([{ why: "unknown-sender", datagrams: 1 }]);
    expect(() => new ReplayLink({ head: HEAD, datagrams }, { clock, speed: 0 })).toThrow("speed");
  });

  it("keeps to the contract of Link in what it can: outcomes once, later, and after closing none", async () => {
    const clock = new VirtualClock();
    const datagrams: CapturedDatagram[] = [1, 2].map((atUs) => ({
      atUs: atUs * 1000,
      direction: "received",
      from: BOARD,
      bytes: Uint8Array.of(atUs),
    }));
    const link = new ReplayLink({ head: HEAD, datagrams }, { clock, sentMax: 3 });
    const outcomes: string[] = [];
    const send = (size = 10) =>
      link.send(BOARD, new Uint8Array(size), (outcome) => outcomes.push(outcome));
    send();
    await clock.run({ untilUs: 10 });
    expect(outcomes).toEqual(["gone"]);
    let got = 0;
    link.open({ onDatagram: () => got++ });
    for (let index = 0; index <= link.outstandingMax; index++) send();
    send(251);
    expect(outcomes).toHaveLength(1);
    await clock.run({ untilUs: 1500 });
    expect(outcomes.slice(1).sort()).toEqual(["refused", "refused", ...Array(8).fill("sent")]);
    expect([got, link.remaining, link.sent.length]).toEqual([1, 1, 3]);
    send();
    link.close();
    link.close();
    send();
    await clock.run({ untilUs: 10_000 });
    await link.finished;
    expect(outcomes.slice(-2)).toEqual(["gone", "gone"]);
    expect(got).toBe(1);
  });

  it("puts in nothing for whoever only looks", async () => {
    const { datagrams } = await recordOne(async (gateway) => {
      await gateway.peer(BOARD).send(Uint8Array.of(1));
      gateway.peer(BOARD).close();
    });
    const clock = new VirtualClock();
    const count = (hasStandIns: boolean) =>
      new ReplayLink({ head: HEAD, datagrams }, { clock, hasStandIns }).remaining;
    const received = datagrams.filter(({ direction }) => direction === "received").length;
    expect(count(false)).toBe(received);
    // An opening that the gateway made, and its CLOSE.
    expect(count(true)).toBe(received + 2);
  });
});
