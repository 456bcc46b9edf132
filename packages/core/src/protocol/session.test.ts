import { describe, expect, it } from "vitest";
import type { Frame } from "../wire/frames.js";
import type { Session } from "./session.js";
import { NUMBER_MAX } from "./session.js";
import {
  dataFrame,
  frameTypes,
  HELLO,
  longDatagram,
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

/** A pair that has exchanged a message each way, and is quiet. */
function openPair(options: ConstructorParameters<typeof WiredPair>[0] = {}): WiredPair {
  const wire = new WiredPair(options);
  wire.a.send(command);
  wire.run(2 * S);
  wire.b.send(command);
  wire.run(4 * S);
  expect([session(wire.a).phase, session(wire.b).phase]).toEqual(["open", "open"]);
  return wire;
}

describe("first contact", () => {
  it("costs two datagrams for a command of 32 bytes, both with HELLO and padded to 48", () => {
    const wire = new WiredPair();
    const message = wire.a.send(command);
    wire.run(S / 2);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.b.received).toEqual([command]);
    const [opening, answer] = wire.log.map(({ datagram }) => datagram);
    expect(wire.log).toHaveLength(2);
    expect(readDatagram(opening as Uint8Array).head).toMatchObject({
      form: "long",
      tokenTo: 0,
      ask: 1,
    });
    expect(frameTypes(opening as Uint8Array)).toEqual(["hello", "data"]);
    expect(frameTypes(answer as Uint8Array)).toEqual(["hello", "ack"]);
    expect((opening as Uint8Array).length).toBeGreaterThanOrEqual(48);
    expect((answer as Uint8Array).length).toBeLessThanOrEqual((opening as Uint8Array).length);
  });

  it("pads an opening to 48 bytes, and to the MTU where that is less", () => {
    for (const mtuBytes of [250, 48, 40, 24]) {
      const wire = new WiredPair({ mtuA: mtuBytes });
      wire.lose = () => true;
      wire.a.send(Uint8Array.of(7));
      wire.run(S);
      for (const datagram of wire.sentBy(wire.a)) {
        // Those with HELLO alone are short, for peers whose MTU is small: head, HELLO and CRC.
        const isBare = frameTypes(datagram).length === 1;
        expect(datagram.length).toBe(isBare ? 19 : Math.min(48, mtuBytes));
      }
    }
  });

  it("repeats an unanswered opening with data, from the fifth on every second time with HELLO alone", () => {
    const wire = new WiredPair();
    wire.lose = () => true;
    wire.a.send(command);
    wire.run(20 * S);
    const kinds = wire.sentBy(wire.a).map((datagram) => frameTypes(datagram).join("+"));
    expect(kinds.length).toBeGreaterThan(8);
    kinds.forEach((kind, at) => {
      expect(kind).toBe(at >= 4 && at % 2 === 0 ? "hello" : "hello+data");
    });
  });

  it("holds back a message that wants a handshake until the peer is verified", () => {
    const wire = new WiredPair();
    const message = wire.a.send(command, { firstContact: "handshake" });
    wire.run(S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(frameTypes(wire.sentBy(wire.a)[0] as Uint8Array)).toEqual(["hello"]);
    expect(frameTypes(wire.sentBy(wire.a)[1] as Uint8Array)).toContain("data");
  });

  it("holds back what does not fit whole, and what is longer than a fragment per channel", () => {
    const wire = new WiredPair();
    wire.a.send(blob(232), {}, 0);
    wire.a.send(command, {}, 1);
    wire.run(S);
    expect(frameTypes(wire.sentBy(wire.a)[0] as Uint8Array)).toEqual(["hello", "data"]);
    expect(wire.b.received).toEqual([command, blob(232)]);
  });

  it("sends at most one fragment for each channel in an opening", () => {
    const wire = new WiredPair();
    wire.lose = () => true;
    for (const channel of [0, 0, 3, 6, 6]) wire.a.send(command.subarray(0, 8), {}, channel);
    wire.run(S / 10);
    const { frames } = readDatagram(wire.sentBy(wire.a)[0] as Uint8Array);
    expect(frames.flatMap((frame) => (frame.type === "data" ? [frame.channel] : []))).toEqual([
      0, 3, 6,
    ]);
  });

  it("confirms by itself one second after the answer, once, and is then silent", () => {
    const wire = new WiredPair();
    wire.a.send(command);
    wire.run(S / 2);
    expect(session(wire.b).phase).toBe("answering");
    expect(wire.log).toHaveLength(2);
    wire.run(10 * S);
    expect(session(wire.b).phase).toBe("open");
    // An empty datagram that asks, and its ack.
    expect(wire.log.slice(2).map(({ datagram }) => frameTypes(datagram))).toEqual([[], ["ack"]]);
    wire.run(3600 * S);
    expect(wire.log).toHaveLength(4);
    expect(wire.a.protocol.timeoutUs).toBe(Number.POSITIVE_INFINITY);
    expect(wire.b.protocol.timeoutUs).toBe(Number.POSITIVE_INFINITY);
  });

  it("confirms at once what began with a request", () => {
    const wire = new WiredPair();
    wire.a.send(command, {}, 14);
    wire.run(S / 2);
    expect(session(wire.b).phase).toBe("open");
  });

  it("sends no more to an unverified peer than came from it, bytes and datagrams", () => {
    const wire = new WiredPair();
    wire.a.send(command);
    wire.run(2500);
    // The opener is deaf from here on; the answering side has much to say.
    wire.lose = () => true;
    wire.b.readsAtOnce = false;
    for (let i = 0; i < 20; i++) wire.b.send(blob(200, i), { isAnswer: true });
    wire.a.protocol.handleLinkStatus("down", wire.nowUs);
    wire.run(20 * S);
    const [forth, back] = [wire.sentBy(wire.a), wire.sentBy(wire.b)];
    const bytes = (list: Uint8Array[]) => list.reduce((sum, { length }) => sum + length, 0);
    expect(back.length).toBeLessThanOrEqual(forth.length);
    expect(bytes(back)).toBeLessThanOrEqual(bytes(forth));
  });
});

describe("simultaneous opening", () => {
  it("converges to one session, each message delivered once", () => {
    const wire = new WiredPair();
    const there = wire.a.send(command);
    const back = wire.b.send(blob(40));
    wire.run(3 * S);
    expect([wire.a.endOf(there), wire.b.endOf(back)]).toEqual(["delivered", "delivered"]);
    expect([wire.a.received, wire.b.received]).toEqual([[blob(40)], [command]]);
    expect(session(wire.a).peerToken).toBe(session(wire.b).token);
    expect(session(wire.b).peerToken).toBe(session(wire.a).token);
    expect([wire.a.peer.statistics.sessions, wire.b.peer.statistics.sessions]).toEqual([1, 1]);
    expect([session(wire.a).phase, session(wire.b).phase]).toEqual(["open", "open"]);
  });

  it("converges for long messages too, and under every loss of one of the first six datagrams", () => {
    for (let lost = 0; lost < 64; lost++) {
      const wire = new WiredPair({ seed: lost + 1 });
      wire.lose = (each) =>
        wire.log.indexOf(each) < 6 && ((lost >> wire.log.indexOf(each)) & 1) === 1;
      const there = wire.a.send(blob(3000));
      const back = wire.b.send(blob(2000, 5));
      wire.run(10 * S);
      expect([wire.a.endOf(there), wire.b.endOf(back)]).toEqual(["delivered", "delivered"]);
      expect([wire.a.received, wire.b.received]).toEqual([[blob(2000, 5)], [blob(3000)]]);
      expect([wire.a.peer.statistics.sessions, wire.b.peer.statistics.sessions]).toEqual([1, 1]);
    }
  });
});

describe("a peer that comes back with another token", () => {
  it("is a candidate until it echoes; then the old session ends as restarted", () => {
    const wire = openPair();
    const old = session(wire.b);
    wire.a.protocol = wire.boot("a", 1);
    const message = wire.a.send(blob(20, 9));
    wire.lose = ({ from }) => from === wire.b;
    wire.run(wire.nowUs + 30_000);
    // The challenge is out, but nothing has been torn down, and nothing was delivered.
    expect(session(wire.b)).toBe(old);
    expect(wire.b.peer.candidate?.peerToken).toBe(session(wire.a).token);
    expect(wire.b.received).toEqual([command]);
    wire.lose = () => false;
    wire.run(wire.nowUs + 5 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.b.received).toEqual([command, blob(20, 9)]);
    expect(old.phase).toBe("closed");
    expect(wire.b.peer.candidate).toBeUndefined();
    expect(wire.b.events.filter(({ type }) => type === "session-ended")).toMatchObject([
      { why: "peer-restarted" },
    ]);
  });

  it("gets an answer that acknowledges nothing: HELLO and an ACK for channel 0", () => {
    const wire = openPair();
    const before = wire.log.length;
    wire.deliver(wire.b, longDatagram(0x12345678, 0, 0x1234, [HELLO, dataFrame(0x5678, command)]));
    wire.run(wire.nowUs + S / 2);
    const [answer] = wire.log.slice(before);
    const { head, frames } = readDatagram((answer as { datagram: Uint8Array }).datagram);
    expect(head).toMatchObject({ form: "long", tokenTo: 0x12345678 });
    expect(frames.map(({ type }) => type)).toEqual(["hello", "ack"]);
    expect(frames[1]).toMatchObject({ channel: 0, next: 0x5678, map: new Uint8Array(0) });
    expect(wire.b.received).toEqual([command]);
  });

  it("that never echoes leaves the session as it was, however often it comes", () => {
    const wire = openPair();
    const kept = session(wire.b);
    for (let token = 1; token < 50; token++) {
      wire.deliver(
        wire.b,
        longDatagram(token * 65_537, 0, token, [HELLO, dataFrame(token, command)]),
      );
      wire.run(wire.nowUs + 10_000);
    }
    expect(session(wire.b)).toBe(kept);
    const message = wire.a.send(blob(5000));
    wire.run(wire.nowUs + 5 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.b.received).toHaveLength(2);
  });

  it("takes over messages that cannot have arrived, and reports the others", () => {
    const wire = openPair();
    wire.lose = () => true;
    const maybe = wire.a.send(command);
    const resend = wire.a.send(blob(31), { afterRestart: "resend" });
    const never = wire.a.send(blob(60_000));
    wire.run(wire.nowUs + 100_000);
    wire.lose = () => false;
    wire.b.protocol = wire.boot("b", 1);
    wire.run(wire.nowUs + 10 * S);
    expect(wire.a.ends.get(maybe.id)).toMatchObject({
      code: "peer-restarted",
      delivery: "unknown",
    });
    expect(wire.a.endOf(resend)).toBe("delivered");
    expect(wire.a.endOf(never)).toBe("delivered");
    expect(wire.b.received.slice(1)).toEqual([blob(31), blob(60_000)]);
  });
});

describe("messages under way when the peer restarts", () => {
  it("on an ordered channel do not come after a later one that has arrived", () => {
    const wire = openPair();
    let isLost = false;
    wire.lose = ({ from, datagram }) => isLost && from === wire.a && datagram.length > 40;
    isLost = true;
    const early = wire.a.send(blob(60), { afterRestart: "resend" }, 2);
    wire.run(wire.nowUs + 5 * MS);
    const later = wire.a.send(command.subarray(0, 20), { afterRestart: "resend" }, 2);
    wire.run(wire.nowUs + 100 * MS, () => wire.a.endOf(later) !== undefined);
    expect(wire.a.endOf(later)).toBe("delivered");
    expect(wire.a.endOf(early)).toBeUndefined();
    // It closes the session, delivers what waited behind the gap, and goes on; the CLOSE is lost.
    wire.b.protocol.close(wire.b.peer, 0, new Uint8Array(250), wire.nowUs);
    isLost = false;
    wire.run(wire.nowUs + 30 * S);
    expect(wire.a.endOf(early)).toBe("peer-restarted");
    expect(wire.b.received.filter(({ length }) => length === 60)).toEqual([]);
  });

  it("as answers are not taken into another session", () => {
    const wire = openPair();
    wire.lose = ({ from }) => from === wire.b;
    const answer = wire.b.send(blob(60), { isAnswer: true, afterRestart: "resend" }, 14);
    const waiting = wire.b.send(blob(5000), { isAnswer: true }, 15);
    wire.run(wire.nowUs + 5 * MS);
    wire.a.protocol = wire.boot("a", 1);
    wire.lose = () => false;
    wire.run(wire.nowUs + 30 * S);
    for (const message of [answer, waiting]) expect(wire.b.endOf(message)).toBe("peer-restarted");
    expect(wire.a.received.filter(({ length }) => length >= 60)).toEqual([]);
  });
});

describe("an ack that takes back what an older one said", () => {
  it("ends the session: something is taken for delivered that nobody would send again", () => {
    const wire = openPair();
    let lost = 0;
    wire.lose = ({ datagram }) => datagram.length > 200 && lost++ === 0;
    const first = wire.a.send(blob(3000), { afterRestart: "resend" });
    wire.run(wire.nowUs + 5 * MS);
    // One damaged datagram in 65,536 looks good: here it acknowledges two fragments too many.
    const { sender } = session(wire.a);
    const channel = sender.find(0);
    const next = (session(wire.a).token + 4) & 0xffff;
    const lie = { type: "ack", channel: 0, largest: 0, next, window: 64, prompt: false } as const;
    const carrier = session(wire.b).nextNumber - 1;
    channel?.handleAck({ ...lie, truncated: false, map: new Uint8Array() }, 0, carrier, () => {});
    const sessions = wire.a.peer.statistics.sessions;
    wire.run(wire.nowUs + 30 * S, () => wire.a.endOf(first) !== undefined);
    expect(wire.a.peer.statistics.sessions).toBe(sessions + 1);
    expect(wire.a.endOf(first)).toBe("delivered");
    expect(wire.b.received.at(-1)).toEqual(blob(3000));
  });
});

describe("a stream of an ended session that is cancelled", () => {
  it("asks the next session for nothing: an opening has nothing to acknowledge", () => {
    const wire = new WiredPair();
    wire.lose = () => true;
    wire.a.send(command);
    wire.run(20 * MS);
    const before = wire.log.length;
    wire.a.protocol.cancelStream(wire.a.peer, 7, wire.nowUs);
    wire.pump(wire.a);
    expect(wire.log).toHaveLength(before);
    expect(wire.a.protocol.timeoutUs).toBeGreaterThan(wire.nowUs);
  });
});

describe("NO-SESSION", () => {
  it("answers a long datagram to a token that nobody has, if it is as long as the answer", () => {
    const wire = new WiredPair();
    wire.deliver(wire.b, longDatagram(5, 6, 7, [{ type: "close", reason: 0 }]));
    wire.deliver(wire.b, longDatagram(5, 6, 8, []));
    wire.run(S);
    const [answer, ...more] = wire.sentBy(wire.b);
    expect(more).toEqual([]);
    expect(readDatagram(answer as Uint8Array)).toMatchObject({
      head: { form: "long", tokenFrom: 0, tokenTo: 5 },
      frames: [{ type: "no-session" }],
    });
    expect((answer as Uint8Array).length).toBe(16);
    expect([...wire.b.protocol.peers]).toEqual([]);
  });

  it("ends the session if it names our token, and is ignored otherwise", () => {
    const wire = openPair();
    const kept = session(wire.a);
    const frames: Frame[] = [{ type: "no-session" }];
    const last = kept.nextNumber - 1;
    wire.deliver(wire.a, longDatagram(0, (kept.token ^ 1) >>> 0, last, frames));
    // What answers a datagram of before the peer's token was known, or one never sent, says nothing.
    for (const number of [0, kept.token >>> 16, last + 1])
      wire.deliver(wire.a, longDatagram(0, kept.token, number, frames));
    expect(session(wire.a)).toBe(kept);
    wire.deliver(wire.a, longDatagram(0, kept.token, last, frames));
    expect(wire.a.peer.session).toBeUndefined();
  });

  it("answers the probe of a peer that has not noticed the restart", () => {
    const wire = openPair();
    wire.b.protocol = wire.boot("b", 1);
    const message = wire.a.send(command);
    wire.run(wire.nowUs + 5 * S);
    expect(wire.a.ends.get(message.id)).toMatchObject({
      code: "peer-restarted",
      delivery: "unknown",
    });
    expect(wire.sentBy(wire.b).flatMap((datagram) => frameTypes(datagram))).toContain("no-session");
  });
});

describe("a stale opening", () => {
  it("of an ended session is answered NO-SESSION: nothing is delivered twice", () => {
    const wire = new WiredPair();
    wire.a.send(command);
    wire.run(5 * S);
    const opening = (wire.log[0] as { datagram: Uint8Array }).datagram;
    wire.b.protocol.close(wire.b.peer, 0, new Uint8Array(250), wire.nowUs);
    const sent = wire.log.length;
    wire.deliver(wire.b, opening);
    wire.run(wire.nowUs + S);
    expect(wire.b.received).toHaveLength(1);
    expect(wire.b.peer.session).toBeUndefined();
    expect(wire.log).toHaveLength(sent + 1);
    expect(wire.log.at(-1)?.datagram).toHaveLength(16);
  });

  it("of the running session is a duplicate", () => {
    const wire = openPair();
    const opening = (wire.log[0] as { datagram: Uint8Array }).datagram;
    const { duplicateDatagrams } = wire.b.peer.statistics;
    wire.deliver(wire.b, opening);
    expect(wire.b.peer.statistics.duplicateDatagrams).toBe(duplicateDatagrams + 1);
    expect(wire.b.received).toHaveLength(1);
  });
});

describe("what was taken for lost", () => {
  it("and turns out to have arrived is not counted as lost", () => {
    const wire = openPair();
    const [a, b] = [session(wire.a), session(wire.b)];
    wire.lose = () => true;
    const base = (a.token + 1) & 0xffff;
    wire.a.send(blob(2000));
    wire.run(wire.nowUs + 30_000);
    const largest = (a.nextNumber - 1) & 0xffff;
    const ack = { type: "ack", channel: 0, largest, window: 64, prompt: false, truncated: false };
    const tell = (next: number, map: Uint8Array) =>
      wire.deliver(
        wire.a,
        longDatagram(b.token, a.token, b.nextNumber++, [{ ...ack, next, map } as Frame]),
      );
    tell(base, Uint8Array.of(0b0001_0000));
    const { statistics } = wire.a.peer;
    expect(statistics.fragmentsLost).toBeGreaterThan(3);
    tell((base + 9) & 0xffff, new Uint8Array());
    expect(statistics.fragmentsLost).toBe(0);
  });
});

describe("a long datagram to our token", () => {
  it("from a token other than the session's is not handled; we ask instead", () => {
    const wire = openPair();
    const kept = session(wire.b);
    const next = (session(wire.a).token + 1) & 0xffff;
    const before = wire.log.length;
    const number = kept.received.highest + 1;
    wire.deliver(wire.b, longDatagram(0x12345678, kept.token, number, [dataFrame(next, blob(9))]));
    wire.run(wire.nowUs + S);
    expect(wire.b.received).toEqual([command]);
    expect(session(wire.b)).toBe(kept);
    const [question] = wire.log.slice(before);
    expect(readDatagram(question!.datagram).head).toMatchObject({ form: "long", ask: 1 });
    // Had its number been taken, the peer's own datagram of that number would be lost.
    wire.a.send(blob(10));
    wire.run(wire.nowUs + 5 * S);
    expect(wire.b.received).toEqual([command, blob(10)]);
  });

  it("from a token whose session we have ended begins nothing: it would deliver twice", () => {
    const wire = new WiredPair();
    wire.lose = ({ from }) => from === wire.b;
    const message = wire.a.send(command);
    wire.run(20_000);
    expect(wire.b.received).toEqual([command]);
    // The peer hears neither the answer nor the end, and so goes on with its opening.
    wire.b.protocol.close(wire.b.peer, 0, new Uint8Array(250), wire.nowUs);
    wire.lose = () => false;
    const later = wire.b.send(blob(40));
    wire.run(wire.nowUs + 10 * S);
    expect(wire.b.received).toEqual([command]);
    expect(wire.a.received).toEqual([blob(40)]);
    // Both may have arrived, for all that their senders know.
    const unknown = { code: "peer-restarted", delivery: "unknown" };
    expect(wire.b.ends.get(later.id)).toMatchObject(unknown);
    expect(wire.a.ends.get(message.id)).toMatchObject(unknown);
  });
});

describe("datagram numbers", () => {
  /** As if so many datagrams had gone before, in both directions. */
  function jumpTo(side: Side, number: number): void {
    session(side).nextNumber = number;
    session(side).sender.largestAcked = number - 1;
    const { received } = session(side.other);
    received.take(number - 1);
  }

  it("pass the wrap of their low 16 bits many times, in short datagrams", () => {
    const wire = openPair();
    jumpTo(wire.a, 0x2_fff0);
    jumpTo(wire.b, 0x7_fff8);
    const before = wire.log.length;
    const random = seededRandom(3);
    wire.lose = () => random() % 4 === 0;
    const messages = [wire.a.send(blob(20_000)), wire.b.send(blob(20_000, 1))];
    wire.run(wire.nowUs + 20 * S);
    expect([wire.a.endOf(messages[0] as never), wire.b.endOf(messages[1] as never)]).toEqual([
      "delivered",
      "delivered",
    ]);
    const forms = wire.log.slice(before).map(({ datagram }) => readDatagram(datagram).head.form);
    expect(forms.filter((form) => form === "short").length).toBeGreaterThan(forms.length * 0.9);
    expect(wire.a.peer.statistics.corruptDatagrams + wire.b.peer.statistics.corruptDatagrams).toBe(
      0,
    );
  });

  it("end the session before one would be used again; what was under way goes on in the next", () => {
    const wire = openPair();
    jumpTo(wire.a, NUMBER_MAX - 20);
    jumpTo(wire.b, NUMBER_MAX - 500);
    const old = session(wire.a);
    const before = wire.log.length;
    const message = wire.a.send(blob(20_000), { afterRestart: "resend" });
    wire.run(wire.nowUs + 20 * S);
    expect(old.phase).toBe("closed");
    expect(old.nextNumber).toBeLessThanOrEqual(0xffff_ffff);
    expect(session(wire.a)).not.toBe(old);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.b.received.at(-1)).toEqual(blob(20_000));
    expect(wire.b.received).toHaveLength(2);
    // No number was used twice under one token.
    const seen = wire.sentBy(wire.a).slice(before).length;
    expect(seen).toBeGreaterThan(80);
  });

  it("far beyond the greatest acknowledged one travel in the long form", () => {
    const wire = openPair();
    session(wire.a).nextNumber += 1001;
    const before = wire.log.length;
    wire.a.send(command);
    wire.run(wire.nowUs + S);
    expect(readDatagram((wire.log[before] as { datagram: Uint8Array }).datagram).head.form).toBe(
      "long",
    );
    expect(wire.b.received).toHaveLength(2);
  });
});

describe("CLOSE", () => {
  it("ends the session on both sides at once; messages under way are reported", () => {
    const wire = openPair();
    const mine = wire.b.send(blob(30_000));
    wire.run(wire.nowUs + 10_000);
    const transmit = wire.a.protocol.close(wire.a.peer, 1, new Uint8Array(250), wire.nowUs);
    expect(frameTypes(transmit?.datagram as Uint8Array)).toEqual(["close"]);
    wire.deliver(wire.b, transmit?.datagram as Uint8Array);
    wire.run(wire.nowUs + S);
    expect(wire.b.endOf(mine)).toBe("peer-closed");
    expect(wire.b.peer.budget.heldBytes + wire.a.peer.budget.heldBytes).toBe(0);
  });

  it("that is lost is replaced by NO-SESSION on the next probe", () => {
    const wire = openPair();
    wire.a.protocol.close(wire.a.peer, 1, new Uint8Array(250), wire.nowUs);
    const message = wire.b.send(command);
    wire.run(wire.nowUs + 5 * S);
    expect(wire.b.endOf(message)).toBe("peer-restarted");
  });
});
