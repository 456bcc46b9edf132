import { describe, expect, it } from "vitest";
import { createPairKey } from "../keys/pair-key.js";
import { agreeAsResponder } from "./agreement.js";
import {
  ADDRESS_A,
  ADDRESS_B,
  type Copy,
  ExchangePair,
  type Flight,
  keysIn,
  whyNoTalk,
} from "./exchange-pair.js";
import { encodeAbort, encodeProof, STEP } from "./pair-body.js";

const S = 1_000_000;
const OLD = new Uint8Array(32).fill(1);
const NO_NAME = new Uint8Array(0);
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

describe("somebody who", () => {
  it("says ABORT in the responder's name cannot make an initiator drop a key that the responder has", () => {
    const pair = pairedBefore();
    pair.fate = ({ body }) => {
      if (body[0] === STEP.kept) pair.deliverToA(encodeAbort(exchangeOf(body), 6));
      return [{}];
    };
    pair.pair("cable");
    expect(pair.endA).toBe("paired");
  });

  it("says it before CHECK can end an exchange, as silence can, and no more", () => {
    for (const reason of [1, 2, 3, 4, 5, 6, 7, 8] as const) {
      const pair = pairedBefore();
      pair.fate = ({ body }) =>
        body[0] === STEP.answer ? [{ body: encodeAbort(exchangeOf(body), reason) }] : [{}];
      pair.pair("cable");
      expect(pair.endA).not.toMatch(/paired/);
      expect(isUntouched(pair)).toBe(true);
    }
  });

  it("speaks from another address, or of another exchange, is not heard", () => {
    const pair = pairedBefore();
    const other = Uint8Array.of(2, 0, 0, 0, 0, 99);
    pair.fate = ({ body, isFromA }) => {
      const changed = body.slice();
      changed[1]! ^= 0x80;
      const abort = encodeAbort(exchangeOf(body), 6);
      if (isFromA) pair.deliverToB(abort, other);
      else pair.deliverToA(abort, other);
      if (!isFromA) pair.deliverToA(changed);
      return [{}];
    };
    pair.pair("renew");
    expect(pair.endA).toBe("paired");
  });

  it("guesses claim codes has one guess for each exchange, and five in all", () => {
    const pair = new ExchangePair({ claimA: new Uint8Array(32).fill(9), storeUs: 50_000 });
    const right = new Uint8Array(32).fill(7);
    let guesses = 0;
    for (let attempt = 1; attempt <= 7; attempt++) {
      pair.openMode(["code", "cable"]);
      pair.begin("code");
      pair.run();
      if (pair.endA === "wrong-proof") guesses++;
      else expect(pair.endA).toBe("way-not-open");
      expect(pair.wrongProofs).toBe(Math.min(5, attempt));
      // A restart does not give more guesses.
      pair.restartB();
    }
    expect(guesses).toBe(5);
    expect(pair.ringB.size).toBe(0);
    // Not even with the right one.
    const late = new ExchangePair({ claimA: right });
    late.wrongProofs = 5;
    late.restartB();
    late.openMode(["code", "cable"]);
    late.begin("code");
    late.run();
    expect(late.endA).toBe("way-not-open");
    late.responder.forgiveWrongProofs();
    late.pair("code");
    expect(late.endA).toBe("paired");
  });

  it("sends a second proof in the same exchange is not listened to, even while the first is counted", () => {
    for (const storeUs of [0, 500_000]) {
      const pair = new ExchangePair({ storeUs });
      pair.fate = ({ body, isFromA }) => {
        if (isFromA && body[0] === STEP.proof) {
          const wrong = body.slice();
          wrong[9]! ^= 1;
          return [{ delayUs: 1000, body: wrong }, { delayUs: 3000 }, { delayUs: 900_000 }];
        }
        return body[0] === STEP.abort ? [] : [{}];
      };
      pair.openMode(["code"]);
      pair.begin("code");
      pair.run(5 * S);
      expect(pair.wrongProofs).toBe(1);
      expect(pair.failuresB()).toEqual(["wrong-proof"]);
      expect(pair.log.filter(({ body }) => body[0] === STEP.check)).toEqual([]);
    }
  });

  it("has the wrong code is told so, also if the first word of it was lost", () => {
    const pair = new ExchangePair({ claimA: new Uint8Array(32).fill(9) });
    let aborts = 0;
    pair.fate = ({ body }) => (body[0] === STEP.abort && ++aborts < 3 ? [] : [{}]);
    pair.pair("code");
    expect(aborts).toBe(3);
    expect(pair.endA).toBe("wrong-proof");
    expect(pair.wrongProofs).toBe(1);
  });

  it("cuts the power when a guess is wrong does not save the guess: it is counted before it is looked at", () => {
    const pair = new ExchangePair({ claimA: new Uint8Array(32).fill(9), storeUs: 50_000 });
    pair.fate = ({ body }) => {
      if (body[0] === STEP.proof)
        pair.clock.setTimer(pair.clock.nowUs() + 2001, () => pair.restartB());
      return [{}];
    };
    pair.openMode(["code"]);
    pair.begin("code");
    pair.run(S);
    expect(pair.wrongProofs).toBe(1);
  });

  it("repeats a whole recorded pairing gets other answers, and no key", () => {
    for (const way of ["cable", "code", "compare", "renew"] as const) {
      const pair = pairedBefore();
      pair.pair(way);
      const said = pair.log.filter(({ isFromA }) => isFromA).map(({ body }) => body);
      const before = keysIn(pair.ringB, ADDRESS_A);
      pair.restartB();
      pair.restartA();
      const from = pair.log.length;
      pair.openMode(["cable", "code", "compare"]);
      for (const body of said) {
        pair.deliverToB(body);
        pair.clock.runSync(pair.clock.nowUs() + 1000);
      }
      pair.run(S);
      const answers = pair.log.slice(from).map(({ body }) => body[0]);
      expect(answers).not.toContain(STEP.check);
      expect(answers).not.toContain(STEP.done);
      expect(keysIn(pair.ringB, ADDRESS_A)).toEqual(before);
    }
  });

  it("offers shares that give nothing secret is turned away on both sides", () => {
    // RFC 7748, section 6.1: points of small order; these give the all-zero value.
    const one = new Uint8Array(32);
    one[0] = 1;
    for (const share of [new Uint8Array(32), one])
      for (const way of ["compare", "renew"] as const) {
        const pair = pairedBefore();
        pair.fate = changing(STEP.answer, (body) =>
          Uint8Array.of(...body.subarray(0, 5), ...share, ...body.subarray(37)),
        );
        pair.pair(way);
        expect(pair.endA).toBe("wrong-proof");
        const responder = agreeAsResponder({
          way,
          exchange: 5,
          random: pair.random,
          keys: () => [createPairKey(OLD, "responder")],
        });
        const said = {
          offerShare: share,
          offer: share,
          answer: share,
          answerShare: share,
          nameA: NO_NAME,
          nameB: NO_NAME,
        };
        expect(responder.judge(said, share)).toBeUndefined();
        expect(isUntouched(pair)).toBe(true);
      }
  });

  it("has neither key cannot renew, and does not count as a wrong claim code", () => {
    const pair = pairedBefore();
    pair.ringA.set(ADDRESS_B, createPairKey(new Uint8Array(32).fill(66), "initiator"));
    pair.begin("renew");
    pair.run();
    expect(pair.endA).toBe("wrong-proof");
    expect(pair.wrongProofs).toBe(0);
    expect(keysIn(pair.ringB, ADDRESS_A)).toEqual(["01".repeat(32)]);
  });

  it("stands in the board's place without the key in use is found out by an initiator that renews", () => {
    const pair = pairedBefore();
    pair.ringB.set(ADDRESS_A, createPairKey(new Uint8Array(32).fill(66), "responder"));
    pair.fate = ({ body, isFromA }) => [
      body[0] === STEP.abort && !isFromA
        ? { body: encodeProof("check", exchangeOf(body), new Uint8Array(16)) }
        : {},
    ];
    pair.begin("renew");
    pair.run();
    expect(pair.endA).toBe("wrong-proof");
    expect(keysIn(pair.ringA, ADDRESS_B)).toEqual(["01".repeat(32)]);
  });

  it("says KEPT or DONE without the keys is not believed", () => {
    for (const step of [STEP.kept, STEP.done]) {
      const pair = pairedBefore();
      pair.fate = changing(step, (body) => body.map((byte, at) => (at === 20 ? byte ^ 1 : byte)));
      pair.pair("cable");
      expect(pair.endA).toBe("paired, unconfirmed");
      expect(keysIn(pair.ringA, ADDRESS_B)).toHaveLength(2);
      expect(keysIn(pair.ringB, ADDRESS_A)).toHaveLength(step === STEP.kept ? 2 : 1);
      expect(whyNoTalk(pair)).toBe(undefined);
    }
  });
});
