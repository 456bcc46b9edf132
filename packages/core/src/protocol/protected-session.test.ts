import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { OpenSslPairKey } from "../../../../test/openssl-pair-key.js";
import { ByteWriter } from "../wire/byte-writer.js";
import { encodeFrame } from "../wire/frames.js";
import { encodeLongHead, isProtected } from "../wire/head.js";
import type { PairKey, Protection } from "./protection.js";
import { TAG_BYTES } from "./protection.js";
import {
  dataFrame,
  HELLO,
  longDatagram,
  seededRandom,
  WiredPair,
  type WireOptions,
} from "./wired-pair.js";

const MS = 1000;
const S = 1_000_000;

/** What was ever encrypted, by key and nonce: no pair may come with two plaintexts. */
function nonceWitness() {
  const sealed = new Map<string, string>();
  return (keyAndNonce: string, datagram: Uint8Array) => {
    const text = String(datagram);
    if ((sealed.get(keyAndNonce) ?? text) !== text) throw new Error("A nonce was used twice.");
    sealed.set(keyAndNonce, text);
  };
}

class Ring implements Protection {
  readonly right: PairKey[] = [];
  listener: (address: Uint8Array) => void = () => {};
  constructor(public keys: readonly PairKey[] | "revoked") {}
  keysFor(): readonly PairKey[] | "revoked" {
    return this.keys;
  }
  noteRight(_address: Uint8Array, key: PairKey): void {
    this.right.push(key);
  }
  watch(listener: (address: Uint8Array) => void): void {
    this.listener = listener;
  }
}

function secretOf(seed: number): Uint8Array {
  return new Uint8Array(32).fill(seed);
}

function protectedPair(options: WireOptions = {}, seed = 7) {
  const witness = nonceWitness();
  const keyA = new OpenSslPairKey(secretOf(seed), 0, witness);
  const keyB = new OpenSslPairKey(secretOf(seed), 1, witness);
  const ringA = new Ring([keyA]);
  const ringB = new Ring([keyB]);
  const wire = new WiredPair({ ...options, protectionA: ringA, protectionB: ringB });
  return { wire, keyA, keyB, ringA, ringB };
}

const blob = (bytes: number) => Uint8Array.from({ length: bytes }, (_, at) => (at * 31) & 0xff);
const marker = new TextEncoder().encode("frost below two degrees");

describe("protected sessions", () => {
  it("carry messages both ways, and nothing else is on the wire", () => {
    const { wire, ringA, ringB, keyB } = protectedPair();
    const there = wire.a.send(blob(100_000));
    const back = wire.b.send(blob(10_000), {}, 1);
    wire.run(20 * S);
    expect([wire.a.endOf(there), wire.b.endOf(back)]).toEqual(["delivered", "delivered"]);
    expect(wire.b.received).toEqual([blob(100_000)]);
    expect(wire.a.received).toEqual([blob(10_000)]);
    expect(wire.log.every(({ datagram }) => isProtected(datagram))).toBe(true);
    expect(ringA.right.length).toBeGreaterThan(0);
    expect(new Set(ringB.right)).toEqual(new Set([keyB]));
  });

  it("show nothing of a message", () => {
    const { wire } = protectedPair();
    wire.a.send(marker);
    wire.run(5 * S);
    expect(wire.b.received).toEqual([marker]);
    const text = Buffer.from(marker).toString("latin1");
    for (const { datagram } of wire.log)
      expect(Buffer.from(datagram).toString("latin1")).not.toContain(text.slice(0, 4));
  });

  it("spend 14 bytes of a full datagram", () => {
    const { wire } = protectedPair();
    wire.a.send(blob(236 * 40));
    wire.run(20 * S);
    const full = wire.sentBy(wire.a).filter((datagram) => datagram.length === 250);
    // 236 bytes in each, but for the total in front of the first one, and the CRC-32 behind the last.
    expect(full.length).toBe(40);
  });

  it("open without a message: all openings have the length of HELLO, padded or not", () => {
    const { wire } = protectedPair();
    wire.lose = () => true;
    wire.a.send(blob(100));
    wire.a.sendLoose(blob(100));
    wire.run(20 * S);
    expect(new Set(wire.sentBy(wire.a).map(({ length }) => length))).toEqual(new Set([48, 37]));
  });

  it("have names of 128 random bits: equal tokens do not make equal keys", () => {
    const salts = [1, 2].map((seed) => {
      const draws = seededRandom(seed);
      let count = 0;
      const randomA = () => (count++ === 0 ? 1234 : draws());
      const { wire } = protectedPair({ randomA });
      wire.a.send(marker);
      wire.run(S);
      return String(wire.a.peer.session?.guard?.own.salt);
    });
    expect(salts[0]).not.toBe(salts[1]);
    expect(salts[0]).not.toContain("0,0,0,0");
  });

  it("need four datagrams for a first command", () => {
    const { wire } = protectedPair();
    const command = wire.a.send(blob(32));
    wire.run(500 * MS, () => wire.a.endOf(command) !== undefined);
    expect(wire.a.endOf(command)).toBe("delivered");
    expect(wire.log.length).toBe(4);
  });

  it.each([48, 49, 64, 250])("work with an MTU of %i bytes, under loss", (mtu) => {
    const { wire } = protectedPair({ mtuA: mtu, mtuB: 48 + (mtu % 7) });
    wire.lose = ({ index }) => index % 4 === 1;
    const there = wire.a.send(blob(2000));
    const back = wire.b.send(blob(1000), {}, 6);
    wire.run(120 * S);
    expect([wire.a.endOf(there), wire.b.endOf(back)]).toEqual(["delivered", "delivered"]);
    for (const { datagram } of wire.log) expect(datagram.length).toBeLessThanOrEqual(mtu);
  });

  it("never use a nonce twice with a key, whatever is lost, and whoever restarts", () => {
    fc.assert(
      fc.property(
        fc.array(fc.boolean(), { minLength: 20, maxLength: 20 }),
        fc.array(fc.constantFrom("a", "b", "send", "reply", "wait"), { maxLength: 12 }),
        fc.integer({ min: 1, max: 1000 }),
        (losses, steps, seed) => {
          const { wire } = protectedPair({ seed });
          wire.lose = ({ index }) => losses[index % losses.length] ?? false;
          let boots = 0;
          for (const step of steps) {
            if (step === "a") wire.a.protocol = wire.boot("a", ++boots);
            else if (step === "b") wire.b.protocol = wire.boot("b", ++boots);
            else if (step === "send") wire.a.send(blob(300));
            else if (step === "reply") wire.b.send(blob(30), {}, 7);
            // The witness throws if a nonce comes twice.
            wire.run(wire.nowUs + 300 * MS);
          }
        },
      ),
      { numRuns: 200 },
    );
  });
});

describe("an attacker", () => {
  it("who repeats all that was ever said makes nothing arrive twice, also after a restart", () => {
    const { wire } = protectedPair();
    for (let i = 0; i < 5; i++) wire.a.send(Uint8Array.of(i));
    wire.run(5 * S);
    expect(wire.b.received.length).toBe(5);
    const said = wire.sentBy(wire.a);
    for (let round = 0; round < 3; round++) {
      for (const datagram of said) {
        wire.deliver(wire.b, datagram);
        wire.run(wire.nowUs + 10 * MS);
      }
      expect(wire.b.received.length).toBe(5);
      // The board has restarted, and remembers nothing but its key.
      wire.b.protocol = wire.boot("b", 1 + round);
    }
    const fresh = wire.a.send(Uint8Array.of(9));
    wire.run(wire.nowUs + 60 * S);
    expect(wire.a.endOf(fresh)).toBe("delivered");
    expect(wire.b.received.map((bytes) => bytes[0])).toEqual([0, 1, 2, 3, 4, 9]);
  });

  it("who sends everything back to its sender changes nothing", () => {
    const { wire } = protectedPair();
    wire.a.send(blob(3000));
    wire.run(5 * S);
    const token = wire.a.peer.session?.token;
    for (const datagram of wire.sentBy(wire.a)) wire.deliver(wire.a, datagram);
    expect(wire.a.received).toEqual([]);
    expect(wire.a.peer.session?.token).toBe(token);
    expect(wire.a.peer.candidate).toBeUndefined();
    expect(wire.a.peer.statistics.corruptDatagrams).toBe(wire.sentBy(wire.a).length);
  });

  it("who changes any bit of a datagram makes it void", () => {
    const { wire } = protectedPair();
    wire.a.send(marker);
    // The opening, and the short datagram with the message.
    const opening = () => wire.sentBy(wire.a)[0] as Uint8Array;
    wire.lose = ({ from, index }) => from === wire.a && index > 0;
    wire.run(200 * MS);
    const message = wire.sentBy(wire.a)[1] as Uint8Array;
    for (const datagram of [opening(), message])
      for (let bit = 0; bit < datagram.length * 8; bit++) {
        const changed = datagram.slice();
        changed[bit >> 3]! ^= 1 << (bit & 7);
        wire.deliver(wire.b, changed);
        expect(wire.b.peer.candidate).toBeUndefined();
      }
    wire.b.drainEvents();
    expect(wire.b.received).toEqual([]);
    wire.deliver(wire.b, message);
    wire.b.drainEvents();
    expect(wire.b.received).toEqual([marker]);
  });

  it("who speaks in plain is not heard: no downgrade", () => {
    const { wire } = protectedPair();
    wire.a.send(marker);
    wire.run(5 * S);
    const { token = 0, peerToken = 0 } = wire.b.peer.session ?? {};
    const frames = [HELLO, dataFrame(1, blob(3))];
    for (const datagram of [
      longDatagram(1234, 0, 0, frames),
      longDatagram(peerToken, 0, 0, frames),
      longDatagram(peerToken, token, 5000, frames),
      longDatagram(0, token, 1, [{ type: "no-session" }]),
    ])
      wire.deliver(wire.b, datagram);
    wire.b.drainEvents();
    expect(wire.b.received).toEqual([marker]);
    expect(wire.b.peer.session?.token).toBe(token);
    expect(wire.b.protocol.counts.refusedDatagrams).toBe(4);
    const before = wire.log.length;
    wire.run(wire.nowUs + S);
    expect(wire.log.length).toBe(before);
  });

  it("who repeats an opening delivers nothing by it, even if its sender had put a message in", () => {
    const { wire, keyA } = protectedPair();
    const from = { token: 77, salt: new Uint8Array(12).fill(5) };
    const out = new ByteWriter(new Uint8Array(250));
    encodeLongHead(out, 1, from.token, 0, 0, from.salt);
    const headBytes = out.at;
    encodeFrame(out, HELLO, false);
    encodeFrame(out, dataFrame(77, blob(3)), true);
    const nobody = { token: 0, salt: new Uint8Array(12) };
    keyA.directionKey(true, from, nobody).seal(out.bytes, headBytes, out.at, new Uint8Array(13));
    wire.deliver(wire.b, out.bytes.subarray(0, out.at + TAG_BYTES));
    wire.b.drainEvents();
    expect(wire.b.peer.session?.peerToken).toBe(77);
    expect(wire.b.received).toEqual([]);
  });

  it("without the key opens nothing, and is not answered", () => {
    const { wire, ringA } = protectedPair();
    ringA.keys = [new OpenSslPairKey(secretOf(8), 0)];
    const message = wire.a.send(marker, { deadlineUs: 10 * S });
    wire.run(12 * S);
    expect(wire.a.endOf(message)).toBe("deadline-passed");
    expect(wire.sentBy(wire.b)).toEqual([]);
    expect([...wire.b.protocol.peers]).toEqual([]);
  });

  it("cannot make a peer say that it has lost a session which it has", () => {
    const { wire } = protectedPair();
    wire.a.send(marker);
    wire.run(5 * S);
    const { token = 0, peerToken = 0, nextNumber = 0 } = wire.a.peer.session ?? {};
    // In a's name to a token that b does not have: b's answer is right, and a does not take it.
    const forged = new Uint8Array(60);
    const view = new DataView(forged.buffer);
    forged[0] = 0x58;
    view.setUint32(1, token);
    view.setUint32(5, peerToken ^ 1);
    view.setUint32(9, nextNumber - 1);
    const before = wire.sentBy(wire.b).length;
    wire.deliver(wire.b, forged);
    wire.run(wire.nowUs + S);
    const answers = wire.sentBy(wire.b).slice(before);
    expect(answers.map(({ length }) => length)).toEqual([34]);
    expect(wire.a.peer.session?.token).toBe(token);
    expect(wire.a.events.filter(({ type }) => type === "session-ended")).toEqual([]);
    // To the token that it has it says nothing: that can be checked.
    view.setUint32(5, peerToken);
    wire.deliver(wire.b, forged);
    wire.run(wire.nowUs + S);
    expect(wire.sentBy(wire.b).length).toBe(before + 1);
  });
});

describe("restarts and keys", () => {
  it("a peer that has lost the session says so, and messages go on in the next one", () => {
    const { wire } = protectedPair();
    wire.a.send(marker);
    wire.run(5 * S);
    wire.b.protocol = wire.boot("b", 1);
    const message = wire.a.send(blob(1000), { afterRestart: "resend" });
    wire.run(wire.nowUs + 5 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.a.events.filter(({ type }) => type === "session-ended")).toMatchObject([
      { why: "peer-restarted" },
    ]);
  });

  it("a peer that comes back with another token takes over by an echo alone", () => {
    const { wire } = protectedPair();
    wire.a.send(marker);
    wire.run(5 * S);
    wire.a.protocol = wire.boot("a", 1);
    const message = wire.a.send(blob(10));
    wire.run(wire.nowUs + 5 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.b.received).toEqual([marker, blob(10)]);
  });

  it("both open at once and meet in one session", () => {
    const { wire } = protectedPair();
    const one = wire.a.send(blob(500));
    const other = wire.b.send(blob(600));
    wire.run(5 * S);
    expect([wire.a.endOf(one), wire.b.endOf(other)]).toEqual(["delivered", "delivered"]);
    expect(wire.a.peer.session?.token).toBe(wire.b.peer.session?.peerToken);
  });

  it("two keys: either side finds the one that both have, and says which it was", () => {
    for (const [a, b] of [
      [
        [2, 1],
        [1, 2],
      ],
      [[1], [1, 2]],
      [[2], [1, 2]],
      [[2, 1], [1]],
    ] as const) {
      for (const first of ["a", "b"] as const) {
        const { wire, ringA, ringB } = protectedPair();
        ringA.keys = a.map((seed) => new OpenSslPairKey(secretOf(seed), 0));
        ringB.keys = b.map((seed) => new OpenSslPairKey(secretOf(seed), 1));
        const message = wire[first].send(blob(100));
        wire.run(60 * S);
        const common = a.filter((seed) => (b as readonly number[]).includes(seed));
        // Who has one key only must be able to speak with it: see 16.3 for who can be first when.
        const opener = first === "a" ? a[0] : b[0];
        if (!common.includes(opener)) continue;
        expect(wire[first].endOf(message), `${a} ${b} ${first}`).toBe("delivered");
        const right = first === "a" ? ringB.right : ringA.right;
        expect((right[0] as OpenSslPairKey).secret[0]).toBe(opener);
      }
    }
  });

  it("two keys, and both open at once under different ones: they end up under the newer one", () => {
    for (let delay = 0; delay < 4; delay++) {
      const { wire, ringA, ringB } = protectedPair();
      const keys = (side: 0 | 1) =>
        [1, 2].map((seed): PairKey => new OpenSslPairKey(secretOf(seed), side)) as [
          PairKey,
          PairKey,
        ];
      const [oldA, newA] = keys(0);
      const [oldB, newB] = keys(1);
      // a has renewed the key (it uses the new one first), b has it pending.
      ringA.keys = [newA, oldA];
      ringB.keys = [oldB, newB];
      for (const [ring, newer] of [
        [ringA, newA],
        [ringB, newB],
      ] as const)
        ring.noteRight = (_address, key) => {
          if (key === newer) ring.keys = [newer];
        };
      const one = wire.a.send(blob(5000));
      wire.run(delay * 700);
      const other = wire.b.send(blob(5000));
      wire.run(3 * S);
      expect([wire.a.endOf(one), wire.b.endOf(other)]).toEqual(["delivered", "delivered"]);
      expect(wire.a.peer.session?.guard?.key).toBe(newA);
      expect(wire.b.peer.session?.guard?.key).toBe(newB);
      expect([ringA.keys.length, ringB.keys.length]).toEqual([1, 1]);
    }
  });

  it("NO-SESSION goes under the key of what it answers", () => {
    const { wire, ringA, ringB } = protectedPair();
    ringA.keys = [new OpenSslPairKey(secretOf(2), 0)];
    ringB.keys = [1, 2].map((seed) => new OpenSslPairKey(secretOf(seed), 1));
    wire.a.send(marker);
    wire.run(5 * S);
    wire.b.protocol.close(wire.b.peer, 0, new Uint8Array(250), wire.nowUs);
    // The opening again: its token is one of an ended session now.
    wire.deliver(wire.b, wire.sentBy(wire.a)[0] as Uint8Array);
    const before = wire.sentBy(wire.b).length;
    wire.pump(wire.b);
    const answer = wire.sentBy(wire.b)[before] as Uint8Array;
    expect(answer.length).toBe(34);
    const corrupt = wire.a.peer.statistics.corruptDatagrams;
    wire.deliver(wire.a, answer);
    expect(wire.a.peer.statistics.corruptDatagrams).toBe(corrupt);
  });

  it("a key that is set ends the plain session, and messages go on under it", () => {
    const { wire, ringA, ringB, keyA, keyB } = protectedPair();
    ringA.keys = ringB.keys = [];
    wire.a.send(marker);
    wire.run(5 * S);
    expect(wire.log.some(({ datagram }) => isProtected(datagram))).toBe(false);
    const before = wire.log.length;
    ringA.keys = [keyA];
    ringB.keys = [keyB];
    wire.a.protocol.handleKeysChanged(wire.b.address, wire.nowUs);
    wire.b.protocol.handleKeysChanged(wire.a.address, wire.nowUs);
    const message = wire.a.send(blob(2000));
    wire.run(wire.nowUs + 5 * S);
    expect(wire.a.endOf(message)).toBe("delivered");
    expect(wire.log.slice(before).every(({ datagram }) => isProtected(datagram))).toBe(true);
  });

  it("a peer whose key was revoked gets nothing, says nothing, and its messages end", () => {
    const { wire, ringB, ringA } = protectedPair();
    wire.a.send(marker);
    wire.run(5 * S);
    const slow = wire.b.send(blob(100_000));
    wire.run(wire.nowUs + 10 * MS);
    ringB.keys = "revoked";
    wire.b.protocol.handleKeysChanged(wire.a.address, wire.nowUs);
    wire.b.drainEvents();
    expect(wire.b.endOf(slow)).toBe("peer-revoked");
    const late = wire.b.send(blob(10));
    wire.b.drainEvents();
    expect(wire.b.endOf(late)).toBe("peer-revoked");
    const received = wire.b.received.length;
    const sent = wire.sentBy(wire.b).length;
    wire.a.send(blob(10));
    wire.run(wire.nowUs + 20 * S);
    expect(wire.b.received.length).toBe(received);
    expect(wire.sentBy(wire.b).length).toBe(sent);
    expect(wire.b.protocol.counts.refusedDatagrams).toBeGreaterThan(0);
    expect(ringA.keys).not.toBe("revoked");
  });

  it("a peer without a key does not answer protected datagrams", () => {
    const { wire, ringB } = protectedPair();
    ringB.keys = [];
    wire.a.send(marker, { deadlineUs: 5 * S });
    wire.run(10 * S);
    expect(wire.sentBy(wire.b)).toEqual([]);
    expect(wire.b.protocol.counts.refusedDatagrams).toBe(wire.sentBy(wire.a).length);
  });

  it("any bytes: nothing is thrown, nothing changes", () => {
    const { wire } = protectedPair();
    wire.a.send(marker);
    wire.run(5 * S);
    const before = wire.b.peer.session?.token;
    const first = fc.constantFrom(0x48, 0x49, 0x58, 0x5b);
    fc.assert(
      fc.property(first, fc.uint8Array({ maxLength: 60 }), (head, rest) => {
        wire.deliver(wire.b, Uint8Array.of(head, ...rest));
        expect(wire.b.peer.session?.token).toBe(before);
      }),
    );
    wire.b.drainEvents();
    expect(wire.b.received).toEqual([marker]);
  });
});
