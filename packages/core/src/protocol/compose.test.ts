import { describe, expect, it } from "vitest";
import type { Frame } from "../wire/frames.js";
import type { Session } from "./session.js";
import {
  frameTypes,
  type OnWire,
  readDatagram,
  type Side,
  seededRandom,
  WiredPair,
} from "./wired-pair.js";

const S = 1_000_000;
const MS = 1000;
const command = Uint8Array.from({ length: 32 }, (_, at) => at);

function blob(length: number, salt = 0): Uint8Array {
  return Uint8Array.from({ length }, (_, at) => (at * 31 + salt + (at >> 8)) & 0xff);
}

function session(side: Side): Session {
  const { session: current } = side.peer;
  if (!current) throw new Error("There is no session.");
  return current;
}

/** A pair in an open session with nothing under way, both round trips measured. */
function openPair(options: ConstructorParameters<typeof WiredPair>[0] = {}): WiredPair {
  const wire = new WiredPair(options);
  wire.a.send(command);
  wire.run(3 * S);
  wire.b.send(command);
  wire.run(6 * S);
  wire.a.send(command);
  wire.run(9 * S);
  return wire;
}

/** What is put on the wire while `run` goes on. */
function during(wire: WiredPair, run: () => void): OnWire[] {
  const before = wire.log.length;
  run();
  return wire.log.slice(before);
}

const framesOf = ({ datagram }: OnWire): readonly Frame[] => readDatagram(datagram).frames;
const askOf = ({ datagram }: OnWire): number => readDatagram(datagram).head.ask;
const kindsOf = ({ datagram }: OnWire): string => frameTypes(datagram).join("+");

describe("asking for acks", () => {
  it("counts down to the last datagram of what is to be sent: 3, 2, 1", () => {
    const wire = openPair();
    wire.a.send(blob(8 * 242 - 10));
    const sent = during(wire, () => wire.run(wire.nowUs + S));
    const mine = sent.filter(({ from }) => from === wire.a);
    expect(mine.map(askOf)).toEqual([0, 0, 0, 0, 0, 3, 2, 1]);
    expect(sent.filter(({ from }) => from === wire.b).map(kindsOf)).toEqual(["ack"]);
  });

  it("counts down to the end of the window too", () => {
    const wire = openPair({ b: { window: 6 } });
    wire.lose = ({ from }) => from === wire.b;
    wire.a.send(blob(5000));
    const sent = during(wire, () => wire.run(wire.nowUs + 7 * MS));
    expect(
      sent
        .filter(({ from }) => from === wire.a)
        .map(askOf)
        .slice(0, 6)
        .slice(-3),
    ).toEqual([3, 2, 1]);
  });

  it("asks after 64 datagrams in any case", () => {
    const wire = openPair({ a: { window: 255 }, b: { window: 255 } });
    wire.a.send(blob(300 * 242));
    const mine = during(wire, () => wire.run(wire.nowUs + 5 * S)).filter(
      ({ from }) => from === wire.a,
    );
    let since = 0;
    for (const each of mine) {
      since++;
      expect(since).toBeLessThanOrEqual(64);
      if (askOf(each) === 1) since = 0;
    }
  });

  it("an ack whose question was lost comes two spacings and an eighth after the announcement", () => {
    const wire = openPair();
    // Eight of these make the ninth's spacing known: 1 ms.
    wire.a.send(blob(30 * 242));
    wire.run(wire.nowUs + S);
    const start = wire.a.sentCount;
    // The sixth announces; the seventh and the eighth, which ask, are lost.
    wire.lose = ({ from, index }) => from === wire.a && index >= start + 6;
    wire.a.send(blob(8 * 242 - 10));
    const sent = during(wire, () => wire.run(wire.nowUs + 20 * MS));
    expect(sent.slice(5, 8).map(askOf)).toEqual([3, 2, 1]);
    const ack = sent.find(({ from }) => from === wire.b) as OnWire;
    // It waited behind another one before it left.
    const arrivedUs = (sent[5] as OnWire).atUs + 2 * MS;
    expect(Math.abs(ack.atUs - arrivedUs - 2.125 * MS)).toBeLessThanOrEqual(5);
  });

  it("datagrams without anything to acknowledge ask for nothing", () => {
    const wire = openPair();
    wire.b.send(blob(20 * 242));
    const mine = during(wire, () => wire.run(wire.nowUs + S)).filter(({ from }) => from === wire.a);
    expect(mine.length).toBeGreaterThan(0);
    for (const each of mine) expect([kindsOf(each), askOf(each)]).toEqual(["ack", 0]);
  });

  it("an endless receiver asks now and then, so that its numbers can be completed", () => {
    const wire = openPair();
    for (let i = 0; i < 14; i++) {
      wire.b.send(blob(60_000, i));
      wire.run(wire.nowUs + 2 * S);
    }
    const asked = wire.sentBy(wire.a).filter((datagram) => readDatagram(datagram).head.ask === 1);
    const { sender, nextNumber, token } = session(wire.a);
    expect(nextNumber - Math.max(sender.largestAcked, token >>> 16)).toBeLessThan(520);
    expect(asked.length).toBeGreaterThan(0);
  });
});

describe("what goes into a datagram", () => {
  it("is filled with small messages while they fit", () => {
    const wire = openPair();
    for (let at = 0; at < 12; at++) wire.a.send(blob(30, at), {}, at % 3);
    const mine = during(wire, () => wire.run(wire.nowUs + S)).filter(({ from }) => from === wire.a);
    // 34 bytes each with its length, 33 for the last: seven in 245.
    expect(mine.map((each) => framesOf(each).length)).toEqual([7, 5]);
  });

  it("is one fragment of 242 bytes and 8 of ours, with a full datagram", () => {
    const wire = openPair();
    wire.a.send(blob(242 * 20));
    const mine = during(wire, () => wire.run(wire.nowUs + S)).filter(({ from }) => from === wire.a);
    for (const each of mine.slice(1, -1)) {
      expect(each.datagram.length).toBe(250);
      expect(framesOf(each)).toMatchObject([{ type: "data", bytes: { length: 242 } }]);
    }
  });

  it("ends with the beginning of a longer message only if half of it is left", () => {
    const wire = openPair();
    wire.a.send(blob(200), {}, 0);
    wire.a.send(blob(1000), {}, 1);
    const first = during(wire, () => wire.run(wire.nowUs + S))[0] as OnWire;
    expect(framesOf(first)).toHaveLength(1);
    wire.a.send(blob(60), {}, 0);
    wire.a.send(blob(1000), {}, 1);
    const second = during(wire, () => wire.run(wire.nowUs + S))[0] as OnWire;
    expect(framesOf(second)).toHaveLength(2);
  });

  it("carries an ack along with data that goes anyway", () => {
    const wire = openPair();
    wire.a.send(command);
    // The question arrives in the very moment in which the other side has something to say.
    wire.schedule(wire.nowUs + MS, () => wire.b.send(blob(40)));
    const sent = during(wire, () => wire.run(wire.nowUs + 100 * MS));
    const back = sent.filter(({ from }) => from === wire.b);
    expect(back.map(kindsOf)).toEqual(["ack+data"]);
  });
});

describe("what goes first", () => {
  it("the end of an urgent message asks, in the midst of a blob, and no second one meanwhile", () => {
    const wire = openPair();
    const sent = during(wire, () => {
      wire.a.send(blob(60_000), { priority: "bulk" });
      wire.run(wire.nowUs + 20 * MS);
      wire.a.send(command, { priority: "urgent" }, 2);
      wire.run(wire.nowUs + S);
    });
    const carriers = sent
      .filter(({ from }) => from === wire.a)
      .map(({ datagram }) => readDatagram(datagram));
    const at = carriers.findIndex(({ frames }) =>
      frames.some((frame) => frame.type === "data" && frame.channel === 2),
    );
    expect(at).toBeGreaterThan(0);
    // Neither the first of a window nor the last: nothing else would have asked here.
    expect(carriers.slice(at - 1, at + 3).map(({ head }) => head.ask)).toEqual([0, 1, 0, 0]);
  });

  it("an urgent message overtakes a blob: only what the link has is in front of it", () => {
    const wire = openPair({ a: { linkDepth: 2 } });
    wire.a.send(blob(100_000), { priority: "bulk" }, 0);
    wire.run(wire.nowUs + 20 * MS);
    const sent = during(wire, () => {
      wire.a.send(command, { priority: "urgent" }, 2);
      wire.run(wire.nowUs + 10 * MS);
    }).filter(({ from }) => from === wire.a);
    expect(framesOf(sent[0] as OnWire)[0]).toMatchObject({ type: "data", channel: 2 });
  });

  it("channels of one priority take turns by datagram", () => {
    const wire = openPair();
    for (const channel of [0, 3, 6]) wire.a.send(blob(242 * 6), {}, channel);
    const mine = during(wire, () => wire.run(wire.nowUs + 15 * MS)).filter(
      ({ from }) => from === wire.a,
    );
    const order = mine.slice(0, 12).map((each) => {
      const frame = framesOf(each)[0];
      return frame?.type === "data" ? frame.channel : -1;
    });
    for (let at = 0; at + 3 <= order.length; at += 3)
      expect(order.slice(at, at + 3).sort((x, y) => x - y)).toEqual([0, 3, 6]);
  });

  it("a lost fragment goes before new ones", () => {
    const wire = openPair({ a: { window: 8 }, b: { window: 8 } });
    const start = wire.a.sentCount;
    wire.lose = ({ from, index }) => from === wire.a && index === start + 2;
    wire.a.send(blob(242 * 30));
    const mine = during(wire, () => wire.run(wire.nowUs + S)).filter(({ from }) => from === wire.a);
    const numbers = mine.map((each) => {
      const frame = framesOf(each)[0];
      return frame?.type === "data" ? frame.fragment : -1;
    });
    // Eight to the end of the window; then the third again, and what the window lets follow.
    const first = numbers[0] as number;
    expect(numbers.slice(0, 10).map((number) => (number - first) & 0xffff)).toEqual([
      0, 1, 2, 3, 4, 5, 6, 7, 2, 8,
    ]);
  });
});

describe("probes", () => {
  it("carry what is small, are empty otherwise, and are long from the second on", () => {
    for (const [bytes, kind] of [
      [command, "data"],
      [blob(200), ""],
    ] as const) {
      const wire = openPair();
      wire.lose = () => true;
      wire.a.send(bytes);
      const mine = during(wire, () => wire.run(wire.nowUs + S)).filter(
        ({ from }) => from === wire.a,
      );
      expect(mine.length).toBeGreaterThan(6);
      const forms = mine.map(({ datagram }) => readDatagram(datagram).head.form);
      expect(forms.slice(0, 2)).toEqual(["short", "short"]);
      expect(forms.slice(2)).toEqual(forms.slice(2).map(() => "long"));
      for (const probe of mine.slice(1)) {
        expect(askOf(probe)).toBe(1);
        expect(kindsOf(probe)).toBe(kind);
      }
    }
  });

  it("keep their pace for five, then back off, up to 5 s", () => {
    const wire = openPair({ a: { unreachableUs: 120 * S } });
    wire.lose = () => true;
    wire.a.send(command);
    const mine = during(wire, () => wire.run(wire.nowUs + 100 * S)).filter(
      ({ from }) => from === wire.a,
    );
    const gaps = mine.slice(1).map(({ atUs }, at) => atUs - (mine[at]?.atUs ?? 0));
    const base = gaps[0] as number;
    for (const gap of gaps.slice(1, 5)) expect(gap / base).toBeLessThan(1.3);
    expect((gaps[6] as number) / base).toBeGreaterThan(1.4);
    expect(Math.max(...gaps)).toBeLessThanOrEqual(5 * S * 1.125 + MS);
    expect(gaps.at(-1)).toBeGreaterThanOrEqual(5 * S);
  });

  it("of keep-alive go out after the silence that was asked for, and only then", () => {
    const wire = openPair({ a: { keepAliveUs: 20 * S } });
    const startUs = wire.nowUs;
    const sent = during(wire, () => wire.run(wire.nowUs + 100 * S));
    const mine = sent.filter(({ from }) => from === wire.a);
    expect(mine.length).toBeGreaterThanOrEqual(4);
    expect(mine.length).toBeLessThanOrEqual(6);
    const gaps = mine.slice(1).map(({ atUs }, at) => atUs - (mine[at]?.atUs ?? 0));
    for (const gap of gaps) expect(Math.abs(gap - 20 * S)).toBeLessThan(10 * MS);
    expect(mine[0]?.atUs).toBeGreaterThan(startUs + 10 * S);
    wire.lose = () => true;
    wire.run(wire.nowUs + 60 * S);
    // What it is for: the peer is gone, and that is found out.
    expect(wire.a.events.at(-1)).toMatchObject({ type: "session-ended", why: "peer-unreachable" });
  });
});

describe("loss", () => {
  it("that an ack shows is repaired without any timer", () => {
    const wire = openPair();
    const random = seededRandom(6);
    wire.lose = ({ from }) => from === wire.a && random() % 5 === 0;
    const message = wire.a.send(blob(20_000));
    const before = wire.a.peer.statistics.probesSent;
    wire.run(wire.nowUs + 10 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.a.peer.statistics.fragmentsRepeated).toBeGreaterThan(8);
    // A timer only where the question itself and its announcements were lost.
    expect(wire.a.peer.statistics.probesSent - before).toBeLessThanOrEqual(4);
  });

  it("of nothing repeats nothing", () => {
    const wire = openPair();
    wire.a.send(blob(50_000));
    wire.run(wire.nowUs + 10 * S);
    const { fragmentsRepeated, probesSent, fragmentsLost } = wire.a.peer.statistics;
    expect([fragmentsRepeated, probesSent, fragmentsLost]).toEqual([0, 0, 0]);
  });

  it("that was mere reordering is learned from, once", () => {
    const wire = openPair();
    // Every tenth datagram comes three later.
    const delayed: (() => void)[] = [];
    let count = 0;
    wire.lose = (each) => {
      if (each.from !== wire.a) return false;
      for (const run of delayed.splice(0)) wire.schedule(wire.nowUs + 3 * MS, run);
      if (++count % 10 !== 3) return false;
      wire.schedule(wire.nowUs + 3 * MS + 500, () => wire.deliver(each.to, each.datagram));
      return true;
    };
    wire.a.send(blob(120_000));
    wire.run(wire.nowUs + 20 * S);
    const { fragmentsRepeated, fragmentsSent } = wire.a.peer.statistics;
    expect(wire.b.received.at(-1)).toEqual(blob(120_000));
    expect(fragmentsRepeated).toBeLessThan(fragmentsSent * 0.03);
  });
});
