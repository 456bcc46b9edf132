import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter } from "../wire/byte-writer.js";
import { sealDatagram } from "../wire/datagram.js";
import { encodeFrame, type Frame } from "../wire/frames.js";
import { encodeLongHead, encodeShortHead } from "../wire/head.js";
import { OutgoingMessage } from "./outgoing-message.js";
import { Protocol } from "./protocol.js";
import type { Session } from "./session.js";
import type { PeerStatistics } from "./statistics.js";
import { frameTypes, readDatagram, type Side, seededRandom, WiredPair } from "./wired-pair.js";

const S = 1_000_000;
const MS = 1000;
const command = Uint8Array.from({ length: 32 }, (_, at) => at);

function blob(length: number, salt = 0): Uint8Array {
  return Uint8Array.from({ length }, (_, at) => (at * 31 + salt + (at >> 8)) & 0xff);
}

function outgoing(): OutgoingMessage {
  return new OutgoingMessage(0, 0, command, {
    priority: "normal",
    deadlineUs: Number.POSITIVE_INFINITY,
    afterRestart: "report",
    firstContact: "data",
    isAnswer: false,
    wantsProgress: false,
  });
}

function session(side: Side): Session {
  const { session: current } = side.peer;
  if (!current) throw new Error("There is no session.");
  return current;
}

function openPair(options: ConstructorParameters<typeof WiredPair>[0] = {}): WiredPair {
  const wire = new WiredPair(options);
  wire.a.send(command);
  wire.run(3 * S);
  expect([session(wire.a).phase, session(wire.b).phase]).toEqual(["open", "open"]);
  return wire;
}

/** An opening from a newcomer with this token. */
function opening(token: number, frames: readonly Frame[] = []): Uint8Array {
  const out = new ByteWriter(new Uint8Array(250));
  encodeLongHead(out, 1, token, 0, token >>> 16);
  const hello: Frame = { type: "hello", version: 1, mtuBytes: 250, window: 64 };
  [hello, ...frames].forEach((frame, at) => {
    encodeFrame(out, frame, at === frames.length);
  });
  return sealDatagram(out, 0, token, token >>> 16).slice();
}

/** The next short datagram of a side, with these frames in it. */
function shortDatagram(from: Side, frames: readonly Frame[], ask: 0 | 1 = 0): Uint8Array {
  const out = new ByteWriter(new Uint8Array(300));
  const { token, peerToken } = session(from);
  const number = session(from).nextNumber++;
  encodeShortHead(out, ask, number);
  frames.forEach((frame, at) => {
    encodeFrame(out, frame, at === frames.length - 1);
  });
  return sealDatagram(out, peerToken, token, number).slice();
}

describe("Protocol", () => {
  it("gives the same bytes for the same inputs", () => {
    const run = () => {
      const wire = new WiredPair({ seed: 5 });
      const random = seededRandom(77);
      wire.lose = () => random() % 3 === 0;
      for (let i = 0; i < 10; i++) {
        wire.a.send(blob(i * 300, i), {}, i % 15);
        wire.b.send(blob(i * 100, i), {}, (i * 7) % 15);
        wire.run(wire.nowUs + 20 * MS);
      }
      wire.run(60 * S);
      return wire.log.map(({ from, datagram, atUs }) => [from === wire.a, atUs, [...datagram]]);
    };
    const first = run();
    expect(first.length).toBeGreaterThan(100);
    expect(run()).toEqual(first);
  });

  it("delivers everything on all channels under any loss, later outcomes and different MTUs", () => {
    const setting = fc.record({
      seed: fc.nat(1_000_000),
      mtuA: fc.constantFrom(20, 23, 48, 64, 250, 1500),
      mtuB: fc.constantFrom(20, 31, 64, 250),
      loss: fc.constantFrom(0, 10, 30),
      airUs: fc.constantFrom(100, 2000, 40_000),
      window: fc.constantFrom(1, 3, 64, 255),
      sizes: fc.array(fc.nat(900), { minLength: 1, maxLength: 12 }),
    });
    fc.assert(
      fc.property(setting, ({ seed, mtuA, mtuB, loss, airUs, window, sizes }) => {
        // With an MTU below 48 only some openings can arrive: that may take long when many are lost.
        const config = { window, unreachableUs: 500 * S };
        const wire = new WiredPair({ seed, mtuA, mtuB, airUs, a: config, b: config });
        const random = seededRandom(seed + 1);
        wire.lose = () => random() % 100 < loss;
        const sent = sizes.map((size, at) => {
          const side = at % 3 === 0 ? wire.b : wire.a;
          // Latest-value channels apart: there not all is delivered.
          return { side, message: side.send(blob(size, at), {}, [0, 1, 5, 6, 9, 14, 15][at % 7]) };
        });
        wire.run(600 * S, () => sent.every(({ side, message }) => side.endOf(message)));
        for (const { side, message } of sent) expect(side.endOf(message)).toBe("delivered");
        for (const side of [wire.a, wire.b]) {
          const expected = sent
            .filter((each) => each.side === side)
            .map(({ message }) => message.bytes);
          expect(side.other.received.map(String).sort()).toEqual(expected.map(String).sort());
          expect(side.peer.budget.heldBytes).toBe(0);
          expect(side.peer.statistics.malformed).toBe(0);
        }
        for (const { from, datagram } of wire.log) {
          // The long form may be an opening, sent before the peer's MTU is known.
          const isShort = readDatagram(datagram).head.form === "short";
          expect(datagram.length).toBeLessThanOrEqual(
            isShort ? Math.min(mtuA, mtuB) : from.mtuBytes,
          );
        }
      }),
      { numRuns: 150 },
    );
  });
});

describe("links of different MTU", () => {
  it("an opening's fragment that is larger than the peer's MTU is cut anew", () => {
    const wire = new WiredPair({ mtuA: 250, mtuB: 64 });
    const message = wire.a.send(blob(200));
    wire.run(5 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.b.received).toEqual([blob(200)]);
    // The first openings were too long to be taken; the bare one got through.
    expect(wire.b.protocol.counts.unreadableDatagrams).toBe(4);
    expect(wire.b.peer.statistics.malformed).toBe(0);
  });

  it("datagrams of 20 bytes carry everything, both ways", () => {
    const wire = new WiredPair({ mtuA: 20, mtuB: 20 });
    const messages = [
      wire.a.send(blob(300)),
      wire.a.send(blob(0), {}, 6),
      wire.a.send(blob(13), {}, 14),
    ];
    const back = [wire.b.send(blob(300, 4), {}, 9), wire.b.send(blob(1), {}, 10)];
    wire.run(60 * S);
    expect(messages.map((message) => wire.a.endOf(message))).toEqual(
      new Array(3).fill("delivered"),
    );
    expect(back.map((message) => wire.b.endOf(message))).toEqual(new Array(2).fill("delivered"));
    for (const { datagram } of wire.log) expect(datagram.length).toBeLessThanOrEqual(20);
  });

  it("drops what is longer than it said it takes", () => {
    const wire = openPair({ mtuB: 64 });
    const long = shortDatagram(wire.a, [
      {
        type: "data",
        channel: 0,
        fragment: 0,
        first: true,
        last: true,
        total: 0,
        crc32: 0,
        bytes: blob(90),
      },
    ]);
    wire.deliver(wire.b, long);
    expect(wire.b.protocol.counts.unreadableDatagrams).toBe(1);
    expect(wire.b.received).toHaveLength(1);
  });
});

describe("a link that goes down", () => {
  it("sends nothing, keeps the session far beyond the time for unreachable, and goes on when it is up", () => {
    const wire = openPair();
    // The other side holds no part of it, so it has no reason to give the session up either.
    wire.lose = () => true;
    const message = wire.a.send(blob(20_000));
    wire.run(wire.nowUs + 10 * MS);
    const kept = session(wire.a);
    wire.a.protocol.handleLinkStatus("down", wire.nowUs);
    wire.run(wire.nowUs + 10 * MS);
    const sent = wire.sentBy(wire.a).length;
    wire.run(wire.nowUs + 300 * S);
    expect(wire.sentBy(wire.a)).toHaveLength(sent);
    expect(wire.a.endOf(message)).toBeUndefined();
    wire.lose = () => false;
    wire.a.protocol.handleLinkStatus("up", wire.nowUs);
    wire.run(wire.nowUs + 10 * S);
    expect(session(wire.a)).toBe(kept);
    expect(wire.a.endOf(message)).toBe("delivered");
  });

  it("does not stop deadlines", () => {
    const wire = openPair();
    wire.a.protocol.handleLinkStatus("down", wire.nowUs);
    const message = wire.a.send(command, { deadlineUs: wire.nowUs + 7 * S });
    wire.run(wire.nowUs + 7 * S - 1);
    expect(wire.a.endOf(message)).toBeUndefined();
    wire.run(wire.nowUs + 1);
    expect(wire.a.ends.get(message.id)).toMatchObject({
      code: "deadline-passed",
      delivery: "none",
    });
  });

  it("counts the silence for unreachable from when it is up again", () => {
    const wire = openPair({ a: { unreachableUs: 10 * S } });
    wire.lose = () => true;
    const message = wire.a.send(command);
    wire.run(wire.nowUs + 5 * S);
    wire.a.protocol.handleLinkStatus("down", wire.nowUs);
    wire.run(wire.nowUs + 100 * S);
    wire.a.protocol.handleLinkStatus("up", wire.nowUs);
    wire.run(wire.nowUs + 9.9 * S);
    expect(wire.a.endOf(message)).toBeUndefined();
    wire.run(wire.nowUs + 0.2 * S);
    expect(wire.a.endOf(message)).toBe("peer-unreachable");
  });
});

describe("what the link says of a datagram", () => {
  for (const word of ["refused", "gone"] as const) {
    it(`${word}: waits 1 ms, doubling to 64 ms, and resumes`, () => {
      const wire = openPair();
      const from = wire.nowUs;
      const before = wire.log.length;
      wire.outcome = ({ from: side, atUs }) => (side === wire.a && atUs < from + S ? word : "sent");
      const message = wire.a.send(command);
      wire.run(from + S);
      const at = wire.log.slice(before).map(({ atUs }) => atUs);
      const gaps = at.slice(1).map((us, i) => us - (at[i] as number));
      // Each gap holds the air time of 1 ms too.
      expect(gaps.slice(0, 6)).toEqual([2, 3, 5, 9, 17, 33].map((ms) => ms * MS));
      expect(Math.max(...gaps)).toBeLessThanOrEqual(65 * MS + 1);
      wire.run(from + 3 * S);
      expect(wire.a.endOf(message)).toBe("delivered");
      expect(wire.a.peer.statistics.sendsRefused > 0).toBe(word === "refused");
    });
  }

  it("not-acknowledged: repeats at once, and stops after three in a row until the probe timer", () => {
    const wire = openPair();
    const from = wire.nowUs;
    const before = wire.log.length;
    wire.outcome = ({ from: side }) => (side === wire.a ? "not-acknowledged" : "sent");
    wire.lose = ({ from: side }) => side === wire.a;
    wire.a.send(command);
    wire.run(from + 5 * MS);
    // First sending and three repeats, one right after the other.
    expect(wire.log.slice(before).map(({ atUs }) => atUs - from)).toEqual([0, MS, 2 * MS, 3 * MS]);
    const quiet = wire.log.length;
    wire.run(from + 3 * S);
    const gaps = wire.log.slice(quiet - 1).map(({ atUs }) => atUs);
    for (let i = 1; i < gaps.length; i++)
      expect((gaps[i] as number) - (gaps[i - 1] as number)).toBeGreaterThan(3 * MS);
    expect(gaps.length).toBeGreaterThan(5);
    expect(wire.a.peer.statistics.sendsNotAcknowledged).toBe(
      wire.sentBy(wire.a).length - before + 2,
    );
  });

  it("acknowledged by the neighbour is not delivery", () => {
    const wire = openPair();
    wire.outcome = () => "acknowledged";
    wire.lose = ({ from }) => from === wire.a;
    const message = wire.a.send(command);
    wire.run(wire.nowUs + 2 * S);
    expect(wire.a.endOf(message)).toBeUndefined();
  });

  it("never: nothing beyond the link depth goes out, no timer runs, and all goes on afterwards", () => {
    const wire = openPair({ a: { linkDepth: 3 } });
    const before = wire.log.length;
    wire.outcome = ({ from }) => (from === wire.a ? undefined : "sent");
    wire.lose = ({ from }) => from === wire.a;
    const message = wire.a.send(blob(5000));
    wire.run(wire.nowUs + 20 * S);
    expect(wire.log.length - before).toBe(3);
    expect(wire.a.peer.statistics.probesSent).toBe(0);
    wire.outcome = () => "sent";
    wire.lose = () => false;
    for (const tell of wire.held.splice(0)) tell("sent");
    wire.run(wire.nowUs + 10 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
  });
});

describe("duty cycle", () => {
  it("keeps the share of time on air below the cap, over any window beyond the bucket", () => {
    const share = 0.1;
    const wire = openPair({ a: { airtimeShare: share }, airUs: 2000, hasAirtime: true });
    wire.a.send(blob(1_000_000));
    wire.run(wire.nowUs + 60 * S);
    const at = wire.log.filter(({ from }) => from === wire.a).map(({ atUs }) => atUs);
    expect(at.length).toBeGreaterThan(1000);
    for (let first = 0; first < at.length; first += 7) {
      for (let last = first; last < at.length; last += 13) {
        const spanUs = (at[last] as number) - (at[first] as number);
        // The bucket holds one second's worth, and may be overdrawn by one datagram.
        expect((last - first) * 2000).toBeLessThanOrEqual(share * (spanUs + S) + 2000);
      }
    }
    // It does use its share.
    expect(at.length * 2000).toBeGreaterThan(share * 60 * S * 0.95);
  });
});

describe("a closed window", () => {
  it("of minutes is probed ever more rarely, loses nothing, and is not taken for unreachable", () => {
    const wire = openPair({ b: { peerBytesMax: 4096, messageBytesMax: 2048 } });
    wire.b.readsAtOnce = false;
    const messages = Array.from({ length: 10 }, (_, at) => wire.a.send(blob(1500, at)));
    wire.run(wire.nowUs + 60 * S);
    const closedAt = wire.log.length;
    wire.run(wire.nowUs + 300 * S);
    const probes = wire.log.slice(closedAt).filter(({ from }) => from === wire.a).length;
    expect(probes).toBeGreaterThan(300 / 6);
    expect(probes).toBeLessThan(300 / 4);
    expect(wire.a.endOf(messages.at(-1) as never)).toBeUndefined();
    expect(wire.b.received.length).toBeLessThan(4);
    wire.b.readsAtOnce = true;
    wire.b.read();
    wire.run(wire.nowUs + 10 * S);
    expect(messages.map((message) => wire.a.endOf(message))).toEqual(
      new Array(10).fill("delivered"),
    );
    expect(wire.b.received.slice(1)).toEqual(messages.map(({ bytes }) => bytes));
  });

  it("that opens again tells at once, without waiting for a probe", () => {
    const wire = openPair({ b: { peerBytesMax: 4096, messageBytesMax: 2048 } });
    wire.b.readsAtOnce = false;
    const messages = Array.from({ length: 4 }, (_, at) => wire.a.send(blob(1500, at)));
    wire.run(wire.nowUs + 120 * S);
    wire.b.readsAtOnce = true;
    wire.b.read();
    wire.run(wire.nowUs + 100 * MS);
    expect(wire.a.endOf(messages.at(-1) as never)).toBe("delivered");
  });
});

describe("a closed window, and a message elsewhere that is given up", () => {
  it("goes on to be asked about", () => {
    const wire = openPair({ b: { peerBytesMax: 4096, messageBytesMax: 2048 } });
    wire.b.readsAtOnce = false;
    const messages = Array.from({ length: 4 }, (_, at) => wire.a.send(blob(1500, at)));
    wire.run(wire.nowUs + 60 * S);
    // It could go, so nothing is blocked when the ack comes; then it is gone before it went.
    const other = wire.a.send(command, {}, 7);
    const next = session(wire.b).receiver?.find(({ channel }) => channel === 0)?.next ?? 0;
    const largest = (session(wire.a).nextNumber - 1) & 0xffff;
    const ack = { type: "ack", channel: 0, largest, next, window: 0, prompt: true } as const;
    wire.deliver(
      wire.a,
      shortDatagram(wire.b, [{ ...ack, truncated: false, map: new Uint8Array() }]),
    );
    wire.a.protocol.abort(wire.a.peer, other, wire.nowUs);
    // That the window is open again is told once, and lost.
    wire.lose = ({ from }) => from === wire.b;
    wire.b.readsAtOnce = true;
    wire.b.read();
    wire.run(wire.nowUs + 100 * MS);
    wire.lose = () => false;
    wire.run(wire.nowUs + 20 * S);
    expect(messages.map((message) => wire.a.endOf(message))).toEqual(
      new Array(4).fill("delivered"),
    );
  });
});

describe("hostile and foreign input", () => {
  it("counts and ignores other versions, forms, protected and reserved bits, and what is too short", () => {
    const wire = openPair();
    const good = shortDatagram(wire.a, []);
    const variants = [0x00, 0x80, 0xc0, 0x60, 0x70, 0x48, 0x44].map((first) => {
      const datagram = good.slice();
      datagram[0] = first;
      return datagram;
    });
    const before = { ...wire.b.peer.statistics };
    for (const datagram of [...variants, new Uint8Array(0), good.slice(0, 4), new Uint8Array(251)])
      wire.deliver(wire.b, datagram);
    expect(wire.b.protocol.counts).toMatchObject({
      unreadableDatagrams: 9,
      // Protected, and there is no key.
      refusedDatagrams: 1,
    });
    expect(wire.b.peer.statistics).toEqual(before);
  });

  it("drops a short datagram from nobody, without an answer or a trace", () => {
    const wire = new WiredPair();
    wire.deliver(wire.b, new Uint8Array(20).fill(0x40));
    wire.run(S);
    expect(wire.b.protocol.counts.unexplainedDatagrams).toBe(1);
    expect([...wire.b.protocol.peers]).toEqual([]);
    expect(wire.log).toEqual([]);
  });

  it("passes over extension frames, with what stands around them", () => {
    const wire = openPair();
    const fragment = session(wire.b).receiver ? 1 : 0;
    expect(fragment).toBe(1);
    const next = (session(wire.a).token + 1) & 0xffff;
    wire.deliver(
      wire.b,
      shortDatagram(wire.a, [
        { type: "extension", kind: 9, bytes: blob(20) },
        {
          type: "data",
          channel: 0,
          fragment: next,
          first: true,
          last: true,
          total: 0,
          crc32: 0,
          bytes: blob(5),
        },
      ]),
    );
    wire.run(wire.nowUs + MS);
    expect(wire.b.received.at(-1)).toEqual(blob(5));
    expect(wire.b.peer.statistics.malformed).toBe(0);
  });

  it("counts a malformed datagram once and takes nothing of it", () => {
    const wire = openPair();
    const out = new ByteWriter(new Uint8Array(100));
    const { token, peerToken } = session(wire.a);
    const number = session(wire.a).nextNumber++;
    encodeShortHead(out, 1, number);
    encodeFrame(out, { type: "close", reason: 0 }, false);
    out.u8(0x0f);
    const before = session(wire.b);
    wire.deliver(wire.b, sealDatagram(out, peerToken, token, number));
    expect(wire.b.peer.statistics.malformed).toBe(1);
    expect(session(wire.b)).toBe(before);
    expect(before.phase).toBe("open");
  });

  it("counts acks for what was never sent, and a SKIP out of range, and changes nothing", () => {
    const wire = openPair();
    const next = (session(wire.b).token & 0xffff) + 5;
    const ack = {
      type: "ack",
      channel: 0,
      largest: (session(wire.b).nextNumber - 1) & 0xffff,
    } as const;
    const rest = { window: 64, prompt: false, truncated: false, map: new Uint8Array(0) };
    wire.b.send(command);
    wire.lose = () => true;
    wire.run(wire.nowUs + 10 * MS);
    wire.deliver(wire.b, shortDatagram(wire.a, [{ ...ack, next: next & 0xffff, ...rest }]));
    expect(wire.b.peer.statistics.malformed).toBe(1);
    const skip = (session(wire.a).token + 300) & 0xffff;
    wire.deliver(wire.b, shortDatagram(wire.a, [{ type: "skip", channel: 0, next: skip }]));
    expect(wire.b.peer.statistics.malformed).toBe(2);
    wire.lose = () => false;
    wire.run(wire.nowUs + 5 * S);
    expect(wire.a.received).toEqual([command]);
  });

  it("never throws, whatever comes, damaged or made up", () => {
    const damage = fc.array(fc.tuple(fc.nat(249), fc.nat(255)), { minLength: 1, maxLength: 5 });
    fc.assert(
      fc.property(
        fc.nat(1000),
        damage,
        fc.uint8Array({ maxLength: 60 }),
        (seed, changes, bytes) => {
          const wire = new WiredPair({ seed });
          wire.a.send(blob(2000));
          wire.run(20 * MS);
          for (const { datagram, to } of [...wire.log]) {
            const damaged = datagram.slice();
            for (const [at, value] of changes) damaged[at % damaged.length] = value;
            wire.deliver(to, damaged);
            wire.deliver(to, bytes);
          }
          // With a good CRC over arbitrary frames too.
          const { token, peerToken } = session(wire.a);
          const out = new ByteWriter(new Uint8Array(100));
          encodeShortHead(out, 1, session(wire.a).nextNumber);
          out.raw(bytes, 0, bytes.length);
          wire.deliver(wire.b, sealDatagram(out, peerToken, token, session(wire.a).nextNumber));
          wire.run(5 * S);
        },
      ),
      { numRuns: 300 },
    );
  });
});

describe("strangers and peers", () => {
  const setting = (mtuBytes = 250) => ({ mtuBytes, random: seededRandom(9) });
  const address = (at: number) => Uint8Array.of(2, 0, 0, 0, at >> 8, at & 0xff);
  const single = (length: number, fragment: number): Frame => ({
    type: "data",
    channel: 0,
    fragment,
    first: true,
    last: true,
    total: 0,
    crc32: 0,
    bytes: blob(length),
  });

  it("more than strangersMax: the oldest unverified one is forgotten", () => {
    const protocol = new Protocol({ strangersMax: 4 }, setting());
    for (let at = 1; at <= 10; at++) protocol.handleDatagram(address(at), opening(at), {}, at);
    expect(Array.from(protocol.peers, (peer) => peer.address[5])).toEqual([7, 8, 9, 10]);
  });

  it("hold no more than strangerBytesMax together; what does not fit is not taken", () => {
    const protocol = new Protocol({ strangerBytesMax: 1000 }, setting());
    for (let at = 1; at <= 20; at++)
      protocol.handleDatagram(address(at), opening(at, [single(200, at)]), {}, at);
    expect(protocol.strangerBudget.heldBytes).toBe(3 * 264);
    expect(protocol.totalBudget.heldBytes).toBe(3 * 264);
    const dropped = Array.from(protocol.peers, (peer) => peer.statistics.fragmentsDropped);
    expect(dropped.reduce((sum, each) => sum + each)).toBe(17);
  });

  it("a peer that its owner talks to is no stranger", () => {
    const protocol = new Protocol({ strangersMax: 2 }, setting());
    const wanted = protocol.peer(address(99));
    for (let at = 1; at <= 10; at++) protocol.handleDatagram(address(at), opening(at), {}, at);
    expect(protocol.find(address(99))).toBe(wanted);
  });

  it("more than peersMax: an idle one is forgotten; if none is idle, newcomers are ignored", () => {
    const protocol = new Protocol({ peersMax: 3, strangersMax: 100 }, setting());
    const [first, second, third] = [1, 2, 3].map((at) => {
      protocol.handleDatagram(address(at), opening(at, [single(50, at)]), {}, at);
      return protocol.peer(address(at));
    });
    if (!first || !second || !third) return expect.fail("they are remembered");
    // They are wanted, and hold a message that nobody has read.
    const wanted = [first, second, third].map((peer) => {
      const message = outgoing();
      protocol.send(peer, message, false, 4);
      return message;
    });
    protocol.handleDatagram(address(4), opening(4), {}, 4);
    expect(protocol.counts.ignoredDatagrams).toBe(1);
    expect(protocol.find(address(4))).toBeUndefined();
    protocol.release(second, 114, -1, 5);
    protocol.abort(second, wanted[1] as OutgoingMessage, 5);
    protocol.handleDatagram(address(4), opening(4), {}, 6);
    expect(protocol.find(address(2))).toBeUndefined();
    expect(protocol.find(address(4))).toBeDefined();
    expect([...protocol.peers]).toHaveLength(3);
  });

  it("forgetting a peer gives back what it held, once", () => {
    const protocol = new Protocol({ strangersMax: 1 }, setting());
    protocol.handleDatagram(address(1), opening(1, [single(50, 1)]), {}, 1);
    const first = protocol.find(address(1));
    protocol.handleDatagram(address(2), opening(2), {}, 2);
    if (!first) return expect.fail("it was remembered");
    // The owner still has the message, and gives it back only now.
    expect(protocol.strangerBudget.heldBytes).toBe(114);
    protocol.release(first, 114, -1, 3);
    expect(protocol.strangerBudget.heldBytes).toBe(0);
  });
});

describe("statistics", () => {
  it("add up: what one side sent the other received, repeated, dropped or lost", () => {
    const wire = new WiredPair({ seed: 4 });
    const random = seededRandom(8);
    const lost = { a: 0, b: 0 };
    wire.lose = ({ from }) => {
      if (random() % 5 > 0) return false;
      lost[from === wire.a ? "a" : "b"]++;
      return true;
    };
    for (let at = 0; at < 8; at++) {
      wire.a.send(blob(2000, at), {}, at);
      wire.b.send(blob(700, at), {}, at);
    }
    wire.run(120 * S);
    const check = (from: PeerStatistics, to: PeerStatistics, lostHere: number, side: Side) => {
      const sent = wire.sentBy(side);
      expect(from.datagramsSent).toBe(sent.length);
      expect(from.bytesSent).toBe(sent.reduce((sum, { length }) => sum + length, 0));
      expect(to.datagramsReceived).toBe(from.datagramsSent - lostHere);
      expect(from.messagesSent).toBe(8);
      expect(to.messagesReceived).toBe(8);
      expect(to.messageBytesReceived).toBe(from.messageBytesSent);
      const frames = sent.flatMap((datagram) => readDatagram(datagram).frames);
      const count = (type: string) => frames.filter((frame) => frame.type === type).length;
      expect(from.fragmentsSent + from.fragmentsRepeated).toBe(count("data"));
      expect(from.acksSent).toBe(sent.filter((each) => frameTypes(each).includes("ack")).length);
      expect(from.fragmentsRepeated).toBeGreaterThan(0);
      expect(from.corruptDatagrams + from.malformed + from.duplicateDatagrams).toBe(0);
      expect(from.sessions).toBe(1);
    };
    const [a, b] = [wire.a.peer.statistics, wire.b.peer.statistics];
    check(a, b, lost.a, wire.a);
    check(b, a, lost.b, wire.b);
  });
});
