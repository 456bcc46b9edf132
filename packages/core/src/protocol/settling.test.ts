import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { wayOfChannel } from "./channels.js";
import type { OutgoingMessage } from "./outgoing-message.js";
import type { Outcome } from "./protocol.js";
import { type Side, seededRandom, WiredPair } from "./wired-pair.js";

// Safety, then liveness: two protocols through everything at once; then the air heals, and all must
// come to rest within a bounded time.

const S = 1_000_000;

interface Sent {
  readonly side: Side;
  readonly message: OutgoingMessage;
}

/** A message whose first four bytes tell which one it is. */
function numbered(id: number, length: number): Uint8Array {
  const bytes = Uint8Array.from({ length: Math.max(4, length) }, (_, at) => (at * 7 + id) & 0xff);
  new DataView(bytes.buffer).setUint32(0, id);
  return bytes;
}

const idOf = (bytes: Uint8Array) => new DataView(bytes.buffer, bytes.byteOffset).getUint32(0);

const action = fc.oneof(
  {
    weight: 6,
    arbitrary: fc.record({
      do: fc.constant("send" as const),
      fromA: fc.boolean(),
      channel: fc.nat(15),
      length: fc.oneof(fc.nat(60), fc.nat(1500)),
      rank: fc.nat(2),
      deadlineMs: fc.constantFrom(0, 0, 20, 300),
    }),
  },
  { weight: 4, arbitrary: fc.record({ do: fc.constant("wait" as const), ms: fc.nat(120) }) },
  { weight: 1, arbitrary: fc.record({ do: fc.constant("abort" as const), at: fc.nat(30) }) },
  { weight: 1, arbitrary: fc.record({ do: fc.constant("read" as const), fromA: fc.boolean() }) },
  { weight: 1, arbitrary: fc.record({ do: fc.constantFrom("down" as const, "up") }) },
);

const setting = fc.record({
  seed: fc.nat(1_000_000),
  mtuA: fc.constantFrom(20, 64, 250),
  mtuB: fc.constantFrom(24, 250),
  loss: fc.constantFrom(0, 10, 40),
  /** In a hundred: repeated, delivered late, not taken by the neighbour, refused by the link. */
  repeat: fc.constantFrom(0, 10),
  late: fc.constantFrom(0, 0, 15),
  notAcknowledged: fc.constantFrom(0, 20),
  refused: fc.constantFrom(0, 5),
  airUs: fc.constantFrom(200, 3000),
  window: fc.constantFrom(1, 4, 64, 255),
  peerBytesMax: fc.constantFrom(2048, 4096, 1 << 20),
  readsAtOnce: fc.boolean(),
  linkDepth: fc.constantFrom(1, 2, 8),
  actions: fc.array(action, { minLength: 5, maxLength: 60, size: "max" }),
});

type Setting = typeof setting extends fc.Arbitrary<infer T> ? T : never;

function play(given: Setting): { wire: WiredPair; sent: Sent[] } {
  const { seed, mtuA, mtuB, airUs, window, peerBytesMax, linkDepth } = given;
  const config = { window, peerBytesMax, messageBytesMax: 1500, linkDepth };
  const wire = new WiredPair({ seed, mtuA, mtuB, airUs, a: config, b: config });
  const random = seededRandom(seed + 7);
  const happens = (percent: number) => random() % 100 < percent;
  wire.lose = (each) => {
    const again = () => wire.deliver(each.to, each.datagram);
    if (happens(given.repeat)) wire.schedule(wire.nowUs + (random() % 30_000), again);
    if (!happens(given.late)) return happens(given.loss);
    wire.schedule(wire.nowUs + (random() % 20_000), again);
    return true;
  };
  wire.outcome = (): Outcome =>
    happens(given.notAcknowledged)
      ? "not-acknowledged"
      : happens(given.refused)
        ? "refused"
        : "sent";
  wire.a.readsAtOnce = wire.b.readsAtOnce = given.readsAtOnce;
  const sent: Sent[] = [];
  for (const each of given.actions) {
    switch (each.do) {
      case "send": {
        const side = each.fromA ? wire.a : wire.b;
        const priority = (["bulk", "normal", "urgent"] as const)[each.rank] ?? "bulk";
        const deadlineUs =
          each.deadlineMs > 0 ? wire.nowUs + each.deadlineMs * 1000 : Number.POSITIVE_INFINITY;
        const bytes = numbered(sent.length, each.length);
        sent.push({ side, message: side.send(bytes, { priority, deadlineUs }, each.channel) });
        break;
      }
      case "wait":
        wire.run(wire.nowUs + each.ms * 1000);
        break;
      case "abort": {
        const chosen = sent[each.at % Math.max(1, sent.length)];
        chosen?.side.protocol.abort(chosen.side.peer, chosen.message, wire.nowUs);
        break;
      }
      case "read":
        (each.fromA ? wire.a : wire.b).read(2);
        break;
      default:
        wire.a.protocol.handleLinkStatus(each.do, wire.nowUs);
    }
    for (const side of [wire.a, wire.b])
      expect(side.peer.budget.heldBytes).toBeLessThanOrEqual(side.peer.budget.bytesMax);
  }
  return { wire, sent };
}

function heal(wire: WiredPair, sent: readonly Sent[]): void {
  wire.lose = () => false;
  wire.outcome = () => "sent";
  wire.a.protocol.handleLinkStatus("up", wire.nowUs);
  for (const side of [wire.a, wire.b]) {
    side.readsAtOnce = true;
    side.read();
  }
  const isOver = () => sent.every(({ side, message }) => side.endOf(message) !== undefined);
  expect(wire.run(wire.nowUs + 60 * S, isOver)).toBe(true);
  wire.run(wire.nowUs + 30 * S);
}

describe("two protocols, when the air heals after everything at once", () => {
  it("have delivered what they say, once and in order, and come to rest", () => {
    fc.assert(
      fc.property(setting, (given) => {
        const { wire, sent } = play(given);
        heal(wire, sent);
        for (const side of [wire.a, wire.b]) {
          const mine = sent.filter((each) => each.side === side);
          const arrived = side.other.received.map(idOf);
          // Exactly once, byte for byte.
          expect(new Set(arrived).size).toBe(arrived.length);
          for (const bytes of side.other.received)
            expect(bytes).toEqual(sent[idOf(bytes)]?.message.bytes);
          for (const { message } of mine) {
            const end = side.ends.get(message.id);
            const isHere = arrived.includes(idOf(message.bytes));
            if (end?.outcome === "delivered" && wayOfChannel(message.channel) !== "latest")
              expect(isHere).toBe(true);
            if (end?.outcome === "failed") {
              expect(["aborted", "deadline-passed"]).toContain(end.code);
              if (end.delivery === "none") expect(isHere).toBe(false);
            }
          }
          for (let channel = 0; channel < 16; channel++) {
            if (wayOfChannel(channel) === "unordered") continue;
            const order = arrived.filter((id) => sent[id]?.message.channel === channel);
            expect(order).toEqual([...order].sort((x, y) => x - y));
            const last = mine.filter(({ message }) => message.channel === channel).at(-1)?.message;
            if (wayOfChannel(channel) === "latest" && last && side.endOf(last) === "delivered")
              expect(order.at(-1)).toBe(idOf(last.bytes));
          }
          expect(side.peer.budget.heldBytes).toBe(0);
          expect(side.peer.waitingBudget.heldBytes).toBe(0);
          expect(side.peer.queuedBytes).toBe(0);
          expect(side.peer.isIdle).toBe(true);
          expect(side.peer.statistics.sessions).toBe(sent.length > 0 ? 1 : 0);
          expect(side.peer.statistics.malformed).toBe(0);
        }
        // At rest: nothing is sent, no timer runs.
        const quiet = wire.log.length;
        wire.run(wire.nowUs + 3600 * S);
        expect(wire.log).toHaveLength(quiet);
        expect(wire.a.protocol.timeoutUs).toBe(Number.POSITIVE_INFINITY);
        expect(wire.b.protocol.timeoutUs).toBe(Number.POSITIVE_INFINITY);
      }),
      { numRuns: 300, endOnFailure: true },
    );
  });
});
