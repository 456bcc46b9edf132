import { describe, expect, it } from "vitest";
import { ADDRESS_A, ADDRESS_B, ExchangePair, keysIn } from "./exchange-pair.js";
import { encodeWait, STEP } from "./pair-body.js";

const S = 1_000_000;
const exchangeOf = (body: Uint8Array) => new DataView(body.buffer, body.byteOffset).getUint32(1);

describe("persons", () => {
  it.each([
    [
      "the initiator's refuses",
      { personA: { says: false, afterUs: S } },
      "refused-here",
      ["refused-there"],
    ],
    [
      "the responder's refuses",
      { personB: { says: false, afterUs: S } },
      "refused-there",
      ["refused-here"],
    ],
    [
      "the initiator's refuses late",
      { personA: { says: false, afterUs: 20 * S } },
      "refused-here",
      ["refused-there"],
    ],
  ] as const)("%s: no key in use", (_, persons, endA, failuresB) => {
    const pair = new ExchangePair(persons);
    pair.openMode(["compare"]);
    pair.begin("compare");
    pair.run(30 * S);
    expect(pair.endA).toBe(endA);
    expect(pair.failuresB()).toEqual(failuresB);
    expect(keysIn(pair.ringA, ADDRESS_B)).toEqual([]);
    expect(pair.responder.isInPairingMode).toBe(true);
  });

  it.each([
    [1, 25],
    [25, 1],
    [40, 45],
    [0, 0],
  ])("may take their time, up to the end of pairing mode: %i s and %i s", (a, b) => {
    const pair = new ExchangePair({
      personA: { says: true, afterUs: a * S },
      personB: { says: true, afterUs: b * S },
    });
    pair.pair("compare");
    expect(pair.endA).toBe("paired");
  });

  it("no longer than pairing mode: the responder's", () => {
    const pair = new ExchangePair({ personB: { says: true, afterUs: 61 * S } });
    pair.pair("compare");
    expect(pair.endA).toBe("time-over");
    expect(pair.failuresB()).toEqual(["time-over"]);
    expect(pair.ringB.size).toBe(0);
  });

  it("no longer than pairing mode, and ten seconds: the initiator's", () => {
    const pair = new ExchangePair({ personA: { says: true, afterUs: 90 * S } });
    pair.pair("compare");
    expect(["no-answer", "time-over"]).toContain(pair.endA);
    expect(keysIn(pair.ringA, ADDRESS_B)).toEqual([]);
  });

  it("are not waited for longer than two minutes by an initiator, whoever says WAIT", () => {
    const pair = new ExchangePair({ personB: { says: true, afterUs: 1000 * S } });
    pair.openMode(["compare"], 3600 * S);
    pair.begin("compare");
    pair.run(130 * S);
    expect(pair.endA).toBe("time-over");
    expect(pair.log.at(-1)?.body[0]).toBe(STEP.abort);
  });

  it("are not asked by WAIT in other ways", () => {
    const pair = new ExchangePair();
    pair.fate = ({ body, isFromA }) => {
      if (isFromA && body[0] === STEP.proof) {
        pair.deliverToA(encodeWait(exchangeOf(body)));
        return [];
      }
      return [{}];
    };
    pair.pair("cable");
    expect(pair.endA).toBe("no-answer");
    expect(pair.clock.nowUs()).toBeGreaterThan(10 * S);
    expect(pair.eventsA.map(({ type }) => type)).toEqual(["answered", "failed"]);
  });
});

describe("an initiator that is cancelled", () => {
  it("tells the responder before the key is agreed", () => {
    const pair = new ExchangePair();
    pair.openMode(["compare"]);
    pair.begin("compare");
    pair.run(S);
    pair.initiator?.cancel();
    pair.pumpA();
    pair.run(S);
    expect(pair.endA).toBe("aborted");
    expect(pair.failuresB()).toEqual(["cancelled-there"]);
  });

  it("keeps a key that is in use, and says KEPT once", () => {
    const pair = new ExchangePair({ storeUs: S });
    pair.openMode(["cable"]);
    pair.begin("cable");
    pair.run(1.5 * S);
    expect(pair.eventsA.at(-1)?.type).toBe("key-agreed");
    pair.initiator?.cancel();
    pair.pumpA();
    pair.run();
    expect(pair.endA).toBe("paired, unconfirmed");
    expect(pair.log.filter(({ body }) => body[0] === STEP.kept)).toHaveLength(1);
    expect(keysIn(pair.ringB, ADDRESS_A)).toEqual(keysIn(pair.ringA, ADDRESS_B));
  });

  it("after KEPT ends at once", () => {
    const pair = new ExchangePair();
    pair.fate = ({ body }) => (body[0] === STEP.done ? [] : [{}]);
    pair.openMode(["cable"]);
    pair.begin("cable");
    pair.run(S);
    pair.initiator?.cancel();
    pair.pumpA();
    expect(pair.endA).toBe("paired, unconfirmed");
    const { length } = pair.log;
    pair.run();
    expect(pair.log).toHaveLength(length);
  });
});
