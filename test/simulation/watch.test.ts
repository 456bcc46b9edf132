import { VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { drawScenario } from "./draw-scenario.js";
import { FEATURE_NAMES, type Feature } from "./features.js";
import { type Incarnation, Oracle } from "./oracle.js";
import { payloadOf } from "./payload.js";
import { runSeed } from "./run.js";
import { Watch } from "./watch.js";

const QUIET = new Set<Feature>(FEATURE_NAMES);
const GATEWAY: Incarnation = { station: 0, boot: 0, startUs: 0, endUs: Number.POSITIVE_INFINITY };
const STRANGER = Uint8Array.of(9);
const BOARD = Uint8Array.of(1);

function setUp() {
  const clock = new VirtualClock();
  const oracle = new Oracle(() => clock.nowUs());
  const failures: unknown[] = [];
  const stationAt = ([last = 9]: Uint8Array) => (last < 2 ? last : -1);
  const scenario = drawScenario(1, QUIET);
  const watch = new Watch(scenario, oracle, clock, stationAt, (error) => failures.push(error));
  const send = (way: "ordered" | "unordered", bytes = 40) =>
    oracle.noteSent({
      ...{ from: GATEWAY, to: 1, kind: "message", bytes, way, channel: 2, rank: 2 },
      ...{ atUs: 0, dueUs: 1e9, resends: false, isHeldBack: false },
    });
  return { clock, oracle, watch, failures, send, boot: watch.boot(GATEWAY) };
}

/** A datagram with the payload of a message somewhere in it. */
function around(payload: Uint8Array): Uint8Array {
  return Uint8Array.of(1, 2, 3, ...payload, 4, 5);
}

describe("the watch over strangers", () => {
  it("allows as many bytes as came, and not one more", () => {
    const { boot } = setUp();
    boot.noteReceived(STRANGER, new Uint8Array(30));
    boot.noteHandedOver(STRANGER, new Uint8Array(20));
    boot.noteHandedOver(STRANGER, new Uint8Array(10));
    expect(() => boot.noteHandedOver(STRANGER, new Uint8Array(1))).toThrow(
      /31 bytes to a stranger/,
    );
    boot.noteHandedOver(BOARD, new Uint8Array(1000));
  });

  it("does not count what came before a restart", () => {
    const { boot, watch } = setUp();
    boot.noteReceived(STRANGER, new Uint8Array(30));
    const next = watch.boot({ ...GATEWAY, boot: 1 });
    expect(() => next.noteHandedOver(STRANGER, new Uint8Array(1))).toThrow(/boot 1|Boot 1/);
  });
});

describe("the watch over commands", () => {
  it("allows one datagram for each station before an urgent message", () => {
    const { boot, watch, send } = setUp();
    const sent = send("ordered");
    watch.expectCommand(sent, 250);
    boot.noteHandedOver(BOARD, new Uint8Array(200));
    boot.noteHandedOver(BOARD, new Uint8Array(200));
    expect(() => boot.noteHandedOver(BOARD, new Uint8Array(200))).toThrow(
      /3 datagrams left before/,
    );
  });

  it("allows those that are as urgent, and came later, their turn", () => {
    const { boot, watch, send } = setUp();
    const sent = send("ordered");
    watch.expectCommand(sent, 250);
    watch.noteRival(sent, 250);
    watch.noteRival(send("unordered"), 250);
    for (let left = 4; left > 0; left--) boot.noteHandedOver(BOARD, new Uint8Array(200));
    expect(() => boot.noteHandedOver(BOARD, new Uint8Array(200))).toThrow(
      /5 datagrams left before/,
    );
  });

  it("counts no more once the message has left, or has ended", () => {
    const { boot, watch, send } = setUp();
    const sent = send("ordered");
    watch.expectCommand(sent, 250);
    boot.noteHandedOver(BOARD, around(payloadOf(sent.id, sent.bytes)));
    for (let left = 5; left > 0; left--) boot.noteHandedOver(BOARD, new Uint8Array(200));
    expect(watch.checks.commands).toBe(1);
    const aborted = send("unordered");
    watch.expectCommand(aborted, 250);
    watch.noteEnd(aborted);
    for (let left = 5; left > 0; left--) boot.noteHandedOver(BOARD, new Uint8Array(200));
  });
});

describe("the watch over what arrives", () => {
  const board = { ...GATEWAY, station: 1 };
  const gateway = Uint8Array.of(0);

  it("wants a message that is there to be delivered", async () => {
    const { clock, watch, failures, send } = setUp();
    const sent = send("unordered");
    watch.boot(board).noteTaken(gateway, around(payloadOf(sent.id, sent.bytes)));
    await clock.run({ untilUs: 10_000 });
    expect(String(failures[0])).toMatch(/nothing before it on its channel, and is not delivered/);
  });

  it("waits for what comes before it on its own channel, and for nothing else", async () => {
    const { clock, watch, failures, send } = setUp();
    send("unordered");
    const first = send("ordered");
    const second = send("ordered");
    watch.boot(board).noteTaken(gateway, around(payloadOf(second.id, second.bytes)));
    await clock.run({ untilUs: 10_000 });
    expect(failures).toEqual([]);
    first.deliveries.set(board, 1);
    watch.boot(board).noteTaken(gateway, around(payloadOf(second.id, second.bytes)));
    await clock.run({ untilUs: 20_000 });
    expect(failures).toHaveLength(1);
  });

  it("notices it in a run", async () => {
    const messages: string[] = [];
    for (let seed = 1; seed <= 60; seed++) {
      let count = 0;
      const tamper = <T>(arrival: T) => (++count % 3 === 0 ? [] : [arrival]);
      await runSeed(seed, { cut: { without: QUIET }, tamper }).catch((error: Error) =>
        messages.push(error.message),
      );
    }
    expect(messages.filter((message) => /is not delivered/.test(message)).length).toBeGreaterThan(
      5,
    );
  });
});
