import { describe, expect, it } from "vitest";
import { createPairKey } from "../keys/pair-key.js";
import { ADDRESS_A, ADDRESS_B, ExchangePair, keysIn } from "./exchange-pair.js";
import { PairingInitiator } from "./initiator.js";
import { encodeAbort, encodeProof, encodeWait, STEP } from "./pair-body.js";
import { PairingResponder } from "./responder.js";
import type { PairingWay } from "./way.js";

const S = 1_000_000;
const OTHER = Uint8Array.of(2, 0, 0, 0, 0, 0x0c);
const exchangeOf = (body: Uint8Array) => new DataView(body.buffer, body.byteOffset).getUint32(1);

/** What the responder says to a body, at once. */
function askB(pair: ExchangePair, body: Uint8Array, from = ADDRESS_A): Uint8Array | undefined {
  pair.responder.handleBody(from, body, pair.clock.nowUs());
  const said = pair.responder.pollTransmit();
  pair.pumpB();
  return said?.body;
}

function offerOf(pair: ExchangePair, way: PairingWay, name = "gateway"): Uint8Array {
  const key = createPairKey(new Uint8Array(32).fill(1), "initiator");
  const claim = new Uint8Array(32).fill(7);
  const means = { address: ADDRESS_B, way, name, random: pair.random, key, claim };
  return new PairingInitiator(means, 0).pollTransmit()!.body;
}

describe("a responder refuses", () => {
  const reasonOf = (body: Uint8Array | undefined) =>
    body?.[0] === STEP.abort ? body[5] : `step ${body?.[0]}`;

  it("when it is not in pairing mode, never was or not any more", () => {
    const pair = new ExchangePair();
    expect(reasonOf(askB(pair, offerOf(pair, "cable")))).toBe(1);
    pair.openMode(["cable"], 5 * S);
    pair.run(5 * S);
    expect(pair.eventsB).toEqual([{ type: "mode-ended", why: "time-over" }]);
    expect(reasonOf(askB(pair, offerOf(pair, "cable")))).toBe(1);
    pair.openMode(["cable"]);
    pair.responder.closeMode();
    expect(reasonOf(askB(pair, offerOf(pair, "cable")))).toBe(1);
  });

  it("ways that are not open: cable above all is open only where its owner says so", () => {
    const pair = new ExchangePair();
    pair.openMode(["compare"]);
    for (const way of ["cable", "code", "renew"] as const)
      expect(reasonOf(askB(pair, offerOf(pair, way)))).toBe(3);
    expect(reasonOf(askB(pair, offerOf(pair, "compare")))).toBe("step 2");
  });

  it("a code where it has none", () => {
    const responder = new PairingResponder({
      name: "",
      random: () => new Uint8Array(99),
      keysFor: () => [],
    });
    responder.openMode({ ways: ["code"], untilUs: 60 * S });
    responder.handleBody(ADDRESS_A, offerOf(new ExchangePair(), "code"), 0);
    expect(reasonOf(responder.pollTransmit()?.body)).toBe(3);
  });

  it("to renew where there is no key for the address, and takes it without pairing mode where there is", () => {
    const pair = new ExchangePair();
    expect(reasonOf(askB(pair, offerOf(pair, "renew")))).toBe(3);
    pair.ringB.revoke(ADDRESS_A);
    expect(reasonOf(askB(pair, offerOf(pair, "renew")))).toBe(3);
    pair.ringB.set(ADDRESS_A, createPairKey(new Uint8Array(32), "responder"));
    expect(reasonOf(askB(pair, offerOf(pair, "renew"), OTHER))).toBe(3);
    expect(reasonOf(askB(pair, offerOf(pair, "renew")))).toBe("step 2");
  });

  it("a second initiator as long as the first may go on: two gateways at once", () => {
    const pair = new ExchangePair();
    pair.openMode(["cable"]);
    const first = offerOf(pair, "cable");
    const second = offerOf(pair, "cable");
    const answer = askB(pair, first);
    expect(reasonOf(askB(pair, second, OTHER))).toBe(2);
    expect(reasonOf(askB(pair, second, ADDRESS_A))).toBe(2);
    pair.run(9.9 * S);
    expect(askB(pair, first)).toEqual(answer);
    // Saying the same again does not keep the place.
    pair.run(0.2 * S);
    expect(pair.failuresB()).toEqual(["no-answer"]);
    expect(reasonOf(askB(pair, second, OTHER))).toBe("step 2");
    expect(reasonOf(askB(pair, first))).toBe(2);
  });

  it("whoever its owner will not have begin now", () => {
    const responder = new PairingResponder({
      name: "",
      random: (bytes) => new Uint8Array(bytes).fill(1),
      keysFor: () => [],
      mayBegin: (address) => address[5] !== ADDRESS_A[5],
    });
    responder.openMode({ ways: ["cable"], untilUs: 60 * S });
    const pair = new ExchangePair();
    responder.handleBody(ADDRESS_A, offerOf(pair, "cable"), 0);
    expect(reasonOf(responder.pollTransmit()?.body)).toBe(2);
    responder.handleBody(OTHER, offerOf(pair, "cable"), 0);
    expect(reasonOf(responder.pollTransmit()?.body)).toBe("step 2");
  });

  it("PROOF and KEPT of an exchange that it does not know, and says nothing to the rest", () => {
    const pair = new ExchangePair();
    const tag = new Uint8Array(16);
    expect(reasonOf(askB(pair, encodeProof("proof", 5, tag)))).toBe(8);
    expect(reasonOf(askB(pair, encodeProof("kept", 5, tag)))).toBe(8);
    for (const body of [
      encodeProof("check", 5, tag),
      encodeProof("done", 5, tag),
      encodeWait(5),
      encodeAbort(5, 8),
      Uint8Array.of(3, 0, 0, 0, 5),
      Uint8Array.of(3),
      new Uint8Array(0),
    ])
      expect(askB(pair, body)).toBeUndefined();
  });

  it("never says more than was said to it, but for its name", () => {
    const pair = new ExchangePair();
    pair.openMode(["cable", "code", "compare"]);
    for (const way of ["cable", "code", "compare"] as const) {
      const offer = offerOf(pair, way, "");
      const answer = askB(pair, offer);
      expect(answer!.length).toBeLessThanOrEqual(offer.length + "row 4".length);
      askB(pair, encodeAbort(exchangeOf(offer), 6));
    }
  });
});

describe("an exchange of a responder", () => {
  it("is not begun anew by a late copy of OFFER, nor answered in two ways", () => {
    const pair = new ExchangePair();
    pair.openMode(["cable"]);
    const offer = offerOf(pair, "cable");
    const answer = askB(pair, offer);
    const forged = offer.slice();
    forged[8]! ^= 1;
    expect(askB(pair, forged)).toBeUndefined();
    expect(askB(pair, offer)).toEqual(answer);
    askB(pair, encodeAbort(exchangeOf(offer), 6));
    expect(pair.failuresB()).toEqual(["cancelled-there"]);
    expect(askB(pair, offer)).toBeUndefined();
    expect(pair.responder.isInPairingMode).toBe(true);
  });

  it("belongs to one address: the right words from another one are not taken", () => {
    const pair = new ExchangePair();
    pair.fate = ({ isFromA, body }) => {
      if (isFromA && body[0] === STEP.proof) {
        pair.deliverToB(body, OTHER);
        return [];
      }
      return [{}];
    };
    pair.pair("cable");
    expect(pair.eventsB.map(({ type }) => type)).toEqual([
      "exchange-begun",
      "exchange-failed",
      "mode-ended",
    ]);
    expect(pair.ringB.size).toBe(0);
  });

  it("is over for a responder that hears nothing for ten seconds; pairing mode stays open", () => {
    const pair = new ExchangePair();
    pair.fate = ({ body }) => (body[0] === STEP.proof ? [] : [{}]);
    pair.openMode(["cable"], 100 * S);
    pair.begin("cable");
    pair.run(9.9 * S);
    expect(pair.failuresB()).toEqual([]);
    pair.run(0.2 * S);
    expect(pair.failuresB()).toEqual(["no-answer"]);
    expect(pair.responder.isInPairingMode).toBe(true);
    expect(pair.responder.timeoutUs).toBe(100 * S);
  });

  it("answers KEPT for ten seconds more, and is busy no longer than that", () => {
    const pair = new ExchangePair();
    pair.pair("cable");
    const kept = pair.log.find(({ body }) => body[0] === STEP.kept)!.body;
    const fresh = new ExchangePair();
    fresh.openMode(["cable"]);
    fresh.begin("cable");
    fresh.run(S);
    expect(fresh.endA).toBe("paired");
    const again = fresh.log.find(({ body }) => body[0] === STEP.kept)!.body;
    const done = fresh.log.find(({ body }) => body[0] === STEP.done)!.body;
    expect(askB(fresh, again)).toEqual(done);
    expect(fresh.responder.isBusy(fresh.clock.nowUs())).toBe(true);
    const forged = again.slice();
    forged[9]! ^= 1;
    expect(askB(fresh, forged)).toBeUndefined();
    fresh.run(10 * S);
    expect(askB(fresh, again)).toBeUndefined();
    expect(fresh.responder.isBusy(fresh.clock.nowUs())).toBe(false);
    expect(askB(pair, kept)).toBeUndefined();
  });

  it("goes on to its end if pairing mode's time is over when the key is agreed, and not before", () => {
    for (const isAgreed of [true, false]) {
      const pair = new ExchangePair();
      pair.fate = ({ body }) => {
        const isLate = body[0] === (isAgreed ? STEP.kept : STEP.proof);
        return [{ delayUs: isLate ? 3 * S : 1000 }];
      };
      pair.openMode(["cable"], 2 * S);
      pair.begin("cable");
      // Also if it is woken without need.
      pair.clock.setTimer(2.5 * S, () => {
        pair.responder.handleTimeout(pair.clock.nowUs());
        pair.pumpB();
      });
      pair.run();
      expect(pair.endA).toBe(isAgreed ? "paired" : "time-over");
      expect(pair.eventsB.at(-1)).toEqual({
        type: "mode-ended",
        why: isAgreed ? "paired" : "time-over",
      });
    }
  });

  it("is cancelled by closing pairing mode, and the initiator is told", () => {
    const pair = new ExchangePair({ personB: { says: true, afterUs: 50 * S } });
    pair.openMode(["compare"]);
    pair.begin("compare");
    pair.run(5 * S);
    pair.responder.closeMode();
    pair.pumpB();
    pair.run();
    expect(pair.endA).toBe("cancelled-there");
    expect(pair.failuresB()).toEqual(["aborted"]);
    expect([keysIn(pair.ringA, ADDRESS_B), keysIn(pair.ringB, ADDRESS_A)]).toEqual([[], []]);
  });

  it("takes one pairing in a pairing mode", () => {
    const pair = new ExchangePair();
    pair.pair("cable");
    pair.begin("cable");
    pair.run();
    expect(pair.endA).toBe("not-in-pairing-mode");
    expect(pair.eventsB.filter(({ type }) => type === "mode-ended")).toEqual([
      { type: "mode-ended", why: "paired" },
    ]);
  });

  it("of renewal leaves pairing mode as it is", () => {
    const pair = new ExchangePair();
    pair.pair("cable");
    pair.openMode(["cable"]);
    pair.begin("renew");
    pair.run(S);
    expect(pair.endA).toBe("paired");
    expect(pair.responder.isInPairingMode).toBe(true);
  });

  it("has one PROOF: another one is not answered, neither before the person has accepted nor after", () => {
    for (const afterUs of [0, 50 * S]) {
      const pair = new ExchangePair({ personB: { says: true, afterUs } });
      pair.fate = ({ body }) => (body[0] === STEP.check ? [] : [{}]);
      pair.openMode(["compare"]);
      pair.begin("compare");
      pair.run(S);
      const proof = pair.log.find(({ body }) => body[0] === STEP.proof)!.body;
      expect(askB(pair, proof)?.[0]).toBe(afterUs === 0 ? STEP.check : STEP.wait);
      const other = proof.slice();
      other[9]! ^= 1;
      expect(askB(pair, other)).toBeUndefined();
    }
  });

  it("is not ended by a forged ABORT once KEPT was right", () => {
    const pair = new ExchangePair({ storeUs: 100_000 });
    pair.fate = ({ body, isFromA }) => {
      if (body[0] === STEP.kept) {
        const abort = encodeAbort(exchangeOf(body), 6);
        pair.clock.setTimer(pair.clock.nowUs() + 50_000, () => pair.deliverToB(abort));
      }
      return [{ delayUs: isFromA ? 1000 : 2000 }];
    };
    pair.pair("cable");
    expect(pair.endA).toBe("paired");
    expect(pair.failuresB()).toEqual([]);
  });

  it("waits to be stored only for itself: an old word for a new exchange is not taken", () => {
    const pair = new ExchangePair({ storeUs: 11 * S });
    pair.openMode(["cable"], 100 * S);
    pair.begin("cable");
    pair.run(10.5 * S);
    expect(pair.failuresB()).toEqual(["no-answer"]);
    pair.begin("cable");
    pair.run(0.1 * S);
    const count = pair.log.length;
    pair.run(0.5 * S);
    // The first exchange's store has finished meanwhile: no CHECK of the second one yet.
    expect(pair.log.slice(count).filter(({ body }) => body[0] === STEP.check)).toEqual([]);
  });
});
