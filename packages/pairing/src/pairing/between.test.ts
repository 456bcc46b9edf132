import { Random } from "@fardel/lossy-link";
import { x25519 } from "@noble/curves/ed25519.js";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { createPairKey } from "../keys/pair-key.js";
import type { RandomBytes } from "./agreement.js";
import { ExchangeKeys, transcriptOf } from "./exchange-keys.js";
import {
  ADDRESS_A,
  ADDRESS_B,
  type Copy,
  ExchangePair,
  type Flight,
  keysIn,
  whyNoTalk,
} from "./exchange-pair.js";
import { PairingInitiator } from "./initiator.js";
import { encodeAbort, encodeProof, STEP } from "./pair-body.js";
import { PairingResponder } from "./responder.js";
import type { PairingWay } from "./way.js";

const S = 1_000_000;
const OLD = new Uint8Array(32).fill(1);
const exchangeOf = (body: Uint8Array) => new DataView(body.buffer, body.byteOffset).getUint32(1);

function pairedBefore(seed = 1): ExchangePair {
  const pair = new ExchangePair({ seed });
  pair.ringA.set(ADDRESS_B, createPairKey(OLD, "initiator"));
  pair.ringB.set(ADDRESS_A, createPairKey(OLD, "responder"));
  return pair;
}

function isUntouched(pair: ExchangePair): boolean {
  const old = ["01".repeat(32)];
  const all = [keysIn(pair.ringA, ADDRESS_B), keysIn(pair.ringB, ADDRESS_A)];
  return all.every((keys) => String(keys) === "" || String(keys) === String(old));
}

/** Somebody who changes what A says, and answers in B's place. */
function changing(step: number, change: (body: Uint8Array) => Uint8Array) {
  return ({ body }: Flight): Copy[] => [body[0] === step ? { body: change(body) } : {}];
}

/**
 * Somebody who stands between the two: is B towards A, and A towards B, each with keys of their own.
 */
class Between {
  readonly asB: PairingResponder;
  asA: PairingInitiator | undefined;

  constructor(
    readonly pair: ExchangePair,
    readonly way: PairingWay,
  ) {
    const { random } = pair;
    const claim = new Uint8Array(32).fill(3);
    this.asB = new PairingResponder({ name: "row 4", random, keysFor: () => [], claim });
    this.asB.openMode({ ways: ["cable", "code", "compare"], untilUs: 60 * S });
    pair.fate = ({ isFromA, body }) => {
      const nowUs = pair.clock.nowUs();
      if (isFromA) this.asB.handleBody(ADDRESS_A, body, nowUs);
      else this.asA?.handleBody(ADDRESS_B, body, nowUs);
      pair.clock.setTimer(nowUs + 1000, () => this.speak());
      return [];
    };
  }

  attack(): void {
    const { pair, way } = this;
    pair.openMode(["compare", "code"]);
    pair.begin(way);
    const claim = new Uint8Array(32).fill(3);
    const means = { address: ADDRESS_B, way, name: "gateway", random: pair.random, claim };
    this.asA = new PairingInitiator(means, pair.clock.nowUs());
    this.speak();
    pair.run();
  }

  /** Says yes to all that it is asked. */
  speak(): void {
    const { pair, asB, asA } = this;
    const nowUs = pair.clock.nowUs();
    for (let event = asB.pollEvent(); event; event = asB.pollEvent()) {
      if (event.type === "short-code-known") asB.accept(event.exchange, nowUs);
      if ("exchange" in event) asB.stored(event.exchange, nowUs);
    }
    for (let event = asA?.pollEvent(); event; event = asA?.pollEvent()) {
      if (event.type === "short-code-known") asA?.accept();
      if (event.type === "key-agreed") asA?.stored(nowUs);
    }
    for (let out = asB.pollTransmit(); out; out = asB.pollTransmit()) pair.deliverToA(out.body);
    for (let out = asA?.pollTransmit(); out; out = asA?.pollTransmit()) pair.deliverToB(out.body);
  }
}

describe("somebody who stands between the two", () => {
  it("in compare: the short codes differ, and persons who look refuse", () => {
    for (let seed = 0; seed < 30; seed++) {
      let pair: ExchangePair;
      const compare = () => pair.shortCodes.length === 2 && new Set(pair.shortCodes).size === 1;
      const person = { says: compare, afterUs: 3 * S };
      pair = new ExchangePair({ seed, personA: person, personB: person });
      new Between(pair, "compare").attack();
      expect(pair.shortCodes).toHaveLength(2);
      expect(pair.shortCodes[0]).not.toBe(pair.shortCodes[1]);
      expect(["refused-here", "refused-there"]).toContain(pair.endA);
      expect(pair.ringA.size + pair.ringB.size).toBe(0);
    }
  });

  it("in compare has one guess in a million: none in 4,000 exchanges is right", () => {
    const random = new Random("between");
    const draw: RandomBytes = (bytes) =>
      Uint8Array.from({ length: bytes }, () => random.uint32() & 0xff);
    // What X25519 gives is as good as random, and costs milliseconds.
    const shortCode = () => {
      const transcript = transcriptOf(draw(38), draw(38), draw(32));
      return new ExchangeKeys(transcript, draw(32)).shortCode();
    };
    const codes = new Set<string>();
    let same = 0;
    for (let run = 0; run < 4000; run++) {
      const [towardsA, towardsB] = [shortCode(), shortCode()];
      if (towardsA === towardsB) same++;
      codes.add(towardsA);
    }
    expect(same).toBe(0);
    // 4,000 draws from a million meet about eight times: they are spread over all of it.
    expect(codes.size).toBeGreaterThan(3970);
    expect(codes.size).toBeLessThan(4000);
  });

  it("in compare is bound to its key before it sees the other one", () => {
    const pair = new ExchangePair();
    pair.openMode(["compare"]);
    const own = new PairingInitiator(
      { address: ADDRESS_B, way: "compare", name: "", random: pair.random },
      0,
    );
    const offer = own.pollTransmit()!.body;
    pair.responder.handleBody(ADDRESS_A, offer, 0);
    const answer = pair.responder.pollTransmit()!.body;
    // Having seen Y, it searches for an X that gives the short code that it wants, and shows that one.
    const found = x25519.getPublicKey(pair.random(32));
    expect(answer[0]).toBe(STEP.answer);
    pair.responder.handleBody(ADDRESS_A, encodeProof("proof", exchangeOf(offer), found), 0);
    expect(pair.responder.pollTransmit()?.body).toEqual(encodeAbort(exchangeOf(offer), 4));
    pair.pumpB();
    expect(pair.shortCodes).toEqual([]);
    expect(pair.failuresB()).toEqual(["wrong-proof"]);
  });

  it("in code does not get past the first proof without the claim code", () => {
    for (let seed = 0; seed < 3; seed++) {
      const pair = new ExchangePair({ seed });
      new Between(pair, "code").attack();
      expect(pair.endA).toBe("wrong-proof");
      expect(pair.failuresB()).toEqual(["wrong-proof"]);
      expect(pair.wrongProofs).toBe(1);
      expect(pair.ringA.size + pair.ringB.size).toBe(0);
    }
  });

  it("and changes the exchange number is found out: neither side has a key that the other lacks", () => {
    for (const way of ["cable", "code", "renew"] as const) {
      const pair = pairedBefore();
      pair.fate = ({ body }) => {
        const changed = body.slice();
        changed[4]! ^= 1;
        return [{ body: changed }];
      };
      pair.pair(way);
      expect(pair.endA, way).toBe("wrong-proof");
      expect(pair.failuresB()).toEqual(["wrong-proof"]);
      expect(isUntouched(pair)).toBe(true);
    }
  });

  it("and adds a byte behind the known fields, or changes a name, is found out", () => {
    for (const way of ["cable", "code", "compare", "renew"] as const)
      for (const step of [STEP.offer, STEP.answer])
        for (const change of [
          (body: Uint8Array) => Uint8Array.of(...body, 0),
          (body: Uint8Array) => body.map((byte, at) => (at === body.length - 1 ? byte ^ 1 : byte)),
        ]) {
          const pair = pairedBefore();
          pair.fate = changing(step, change);
          pair.pair(way);
          expect(pair.endA, `${way} ${step}`).not.toMatch(/paired/);
          expect(whyNoTalk(pair)).toBeUndefined();
          expect(keysIn(pair.ringA, ADDRESS_B)).toEqual(["01".repeat(32)]);
          if (way === "compare") expect(new Set(pair.shortCodes).size).toBe(2);
        }
  });

  it("and changes the way is found out, also where the shares have the same length", () => {
    for (const [way, number] of [
      ["compare", 4],
      ["renew", 3],
      ["cable", 3],
      ["code", 1],
      ["code", 4],
    ] as const) {
      const pair = pairedBefore();
      pair.fate = changing(STEP.offer, (body) =>
        body.map((byte, at) => (at === 5 ? number : byte)),
      );
      pair.openMode(["cable", "code", "compare"]);
      pair.begin(way);
      pair.run();
      expect(["wrong-proof", "no-answer"], `${way} as ${number}`).toContain(pair.endA);
      expect(isUntouched(pair)).toBe(true);
    }
  });

  it("and sends everything back to its sender gets nowhere", () => {
    for (const way of ["cable", "code", "compare", "renew"] as const) {
      const pair = pairedBefore();
      pair.fate = ({ body, isFromA }) => {
        if (!isFromA) return [];
        const [step = 0] = body;
        // What A says becomes what B would say: OFFER without its way, PROOF and KEPT as they are.
        const back =
          step === STEP.offer
            ? Uint8Array.of(STEP.answer, ...body.subarray(1, 5), ...body.subarray(6))
            : Uint8Array.of(step + 1, ...body.subarray(1));
        pair.clock.setTimer(pair.clock.nowUs() + 1000, () => {
          pair.deliverToA(body);
          pair.deliverToA(back);
        });
        return [];
      };
      pair.pair(way);
      expect(["wrong-proof", "no-answer"], way).toContain(pair.endA);
      expect(isUntouched(pair)).toBe(true);
    }
  });

  it("and changes, drops, repeats and delays whatever it likes leaves both with keys that both have", () => {
    const copy = fc.record({
      delayUs: fc.integer({ min: 100, max: 900_000 }),
      at: fc.nat(100),
      bit: fc.constantFrom(0, 0, 0, 0, 0, 0, 0, 0, 1, 0x80),
      behind: fc.constantFrom(0, 0, 0, 0, 0, 0, 0, 0, 0, 1),
    });
    const fates = fc.array(fc.array(copy, { maxLength: 2 }), { minLength: 30, maxLength: 30 });
    const ways = fc.constantFrom<PairingWay>("cable", "cable", "cable", "renew", "compare", "code");
    let paired = 0;
    fc.assert(
      fc.property(fates, ways, fc.nat(10_000), (list, way, seed) => {
        const pair = pairedBefore(seed);
        pair.fate = ({ index, body }) =>
          list[index % list.length]!.map(({ delayUs, at, bit, behind }) => {
            const changed = Uint8Array.of(...body, ...new Uint8Array(behind));
            changed[at % body.length]! ^= bit;
            return { delayUs, body: changed };
          });
        pair.pair(way);
        expect(whyNoTalk(pair)).toBeUndefined();
        if (pair.endA?.startsWith("paired")) paired++;
      }),
      { numRuns: 250 },
    );
    expect(paired).toBeGreaterThan(20);
  }, 120_000);
});
