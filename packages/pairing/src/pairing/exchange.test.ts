import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { createPairKey } from "../keys/pair-key.js";
import {
  ADDRESS_A,
  ADDRESS_B,
  ExchangePair,
  type ExchangePairOptions,
  type Flight,
  keysIn,
  whyNoTalk,
} from "./exchange-pair.js";
import { STEP } from "./pair-body.js";
import type { PairingWay } from "./way.js";

const S = 1_000_000;
const WAYS: readonly PairingWay[] = ["cable", "code", "compare", "renew"];
const OLD = new Uint8Array(32).fill(1);

/** Two that were paired before, so that they can renew. */
function pairedBefore(options: ExchangePairOptions = {}): ExchangePair {
  const pair = new ExchangePair(options);
  pair.ringA.set(ADDRESS_B, createPairKey(OLD, "initiator"));
  pair.ringB.set(ADDRESS_A, createPairKey(OLD, "responder"));
  return pair;
}

function freshFor(way: PairingWay, options: ExchangePairOptions = {}): ExchangePair {
  return way === "renew" ? pairedBefore(options) : new ExchangePair(options);
}

function expectOneKey(pair: ExchangePair): void {
  const keys = keysIn(pair.ringA, ADDRESS_B);
  expect(keys).toHaveLength(1);
  expect(keysIn(pair.ringB, ADDRESS_A)).toEqual(keys);
}

const stepsOf = (flights: readonly Flight[]) => flights.map(({ body }) => body[0]);

describe("a pairing", () => {
  it.each(WAYS)("by %s takes six datagrams, and both have the same key in use", (way) => {
    const pair = freshFor(way);
    pair.pair(way);
    expect(pair.endA).toBe("paired");
    expect(pair.eventsB.map(({ type }) => type)).toContain("paired");
    expectOneKey(pair);
    expect(keysIn(pair.ringA, ADDRESS_B)).not.toContain("01".repeat(32));
    // compare repeats PROOF, answered by WAIT, as long as persons think.
    const steps = stepsOf(pair.log).filter((step) => step !== STEP.wait);
    expect([...new Set(steps)]).toEqual([1, 2, 3, 4, 5, 6]);
    if (way !== "compare") expect(steps).toHaveLength(6);
    for (const { body } of pair.log) expect(body.length).toBeLessThanOrEqual(92);
    const [a] = pair.ringA.record(ADDRESS_B)?.keys ?? [];
    const [b] = pair.ringB.record(ADDRESS_A)?.keys ?? [];
    expect([a?.side, b?.side]).toEqual(["initiator", "responder"]);
    expect(pair.ringA.record(ADDRESS_B)?.name).toBe("row 4");
    expect(pair.ringB.record(ADDRESS_A)?.name).toBe("gateway");
    expect(pair.responder.isInPairingMode).toBe(false);
  });

  it("by compare shows both persons the same six digits", () => {
    for (let seed = 0; seed < 5; seed++) {
      const pair = new ExchangePair({ seed });
      pair.pair("compare");
      expect(pair.shortCodes).toHaveLength(2);
      expect(pair.shortCodes[0]).toMatch(/^\d{6}$/);
      expect(new Set(pair.shortCodes).size).toBe(1);
    }
  });

  it("gives another key each time", () => {
    const keys = WAYS.flatMap((way) =>
      [1, 2].map((seed) => {
        const pair = freshFor(way, { seed });
        pair.pair(way);
        return keysIn(pair.ringA, ADDRESS_B)[0];
      }),
    );
    expect(new Set(keys).size).toBe(8);
  });

  it("repeats what was lost after 150 to 250 ms, then half as long again, up to 1.25 s, for ten seconds", () => {
    const pair = new ExchangePair();
    const times: number[] = [];
    pair.fate = () => {
      times.push(pair.clock.nowUs());
      return [];
    };
    pair.pair("cable");
    expect(pair.endA).toBe("no-answer");
    const gaps = times.slice(1).map((time, at) => time - times[at]!);
    const last = gaps.pop();
    gaps.forEach((gap, at) => {
      const waitUs = Math.min(S, 200_000 * 1.5 ** at);
      expect(gap).toBeGreaterThanOrEqual(waitUs * 0.75);
      expect(gap).toBeLessThanOrEqual(waitUs * 1.25);
    });
    expect(new Set(gaps.slice(5)).size).toBeGreaterThan(2);
    expect(times.at(-1)).toBe(10 * S);
    expect(last).toBeLessThanOrEqual(1.25 * S);
    // At the end the responder is told, if it can hear.
    expect(stepsOf(pair.log).at(-1)).toBe(STEP.abort);
  });

  it.each(WAYS)("by %s: each step may be lost twice, and each answer is the same again", (way) => {
    const pair = freshFor(way);
    const counts = new Map<number, number>();
    pair.fate = ({ body }) => {
      const count = (counts.get(body[0]!) ?? 0) + 1;
      counts.set(body[0]!, count);
      return count <= 2 ? [] : [{}];
    };
    pair.pair(way);
    expect(pair.endA).toBe("paired");
    expectOneKey(pair);
    for (const step of [2, 4, 6]) {
      const bodies = pair.log
        .filter(({ body }) => body[0] === step)
        .map(({ body }) => String(body));
      expect(bodies.length).toBeGreaterThanOrEqual(3);
      expect(new Set(bodies).size).toBe(1);
    }
  });

  it("waits for its stores: nothing is said that relies on what is not stored", () => {
    for (const way of WAYS) {
      const pair = freshFor(way, { storeUs: 3 * S });
      const seen: string[] = [];
      pair.fate = ({ body, isFromA }) => {
        const ring = isFromA ? pair.ringA : pair.ringB;
        seen.push(`${body[0]} ${keysIn(ring, isFromA ? ADDRESS_B : ADDRESS_A).length}`);
        return [{}];
      };
      pair.pair(way);
      expect(pair.endA).toBe("paired");
      expectOneKey(pair);
      const before = way === "renew" ? 1 : 0;
      expect(seen).toContain(`4 ${before + 1}`);
      expect(seen).toContain(`5 ${before + 1}`);
      expect(seen).toContain("6 1");
      for (const text of [`4 ${before}`, `5 ${before}`, "6 2"]) expect(seen).not.toContain(text);
    }
  });

  it("ends with nothing if a store fails, on either side", () => {
    for (const side of ["A", "B"] as const) {
      const pair = pairedBefore({ storeUs: 1000 * S });
      pair.openMode(["cable"]);
      pair.begin("cable");
      pair.run(S);
      if (side === "B") {
        const agreed = pair.eventsB.find((event) => event.type === "key-agreed");
        if (agreed?.type === "key-agreed") pair.responder.notStored(agreed.exchange);
        pair.pumpB();
        pair.run(S);
        expect(pair.failuresB()).toEqual(["not-stored"]);
        expect(pair.endA).toBe("cancelled-there");
      } else {
        const agreed = pair.eventsB.find((event) => event.type === "key-agreed");
        if (agreed?.type === "key-agreed")
          pair.responder.stored(agreed.exchange, pair.clock.nowUs());
        pair.pumpB();
        pair.run(S);
        pair.initiator?.notStored();
        pair.pumpA();
        pair.run(S);
        expect(pair.endA).toBe("not-stored");
      }
    }
  });
});

describe("who knows what, and when", () => {
  /** Way, and what a run of it would say: bodies that arrive after the k-th are lost. */
  function cutAfter(
    way: PairingWay,
    arrivals: number,
    seed: number,
    before: boolean,
  ): ExchangePair {
    const pair = before ? pairedBefore({ seed }) : new ExchangePair({ seed });
    let arrived = 0;
    pair.fate = () => (arrived++ < arrivals ? [{}] : []);
    pair.pair(way);
    return pair;
  }

  it.each(WAYS)("by %s: whichever datagram is the last that gets through, both can talk", (way) => {
    const ends = new Set<string | undefined>();
    for (let arrivals = 0; arrivals <= 20; arrivals++) {
      const pair = cutAfter(way, arrivals, 1, true);
      expect(whyNoTalk(pair), `after ${arrivals}`).toBeUndefined();
      ends.add(pair.endA);
      // And it can be mended by pairing again.
      pair.fate = () => [{}];
      pair.eventsA.length = 0;
      pair.pair(way);
      expect(pair.endA, `after ${arrivals}`).toBe("paired");
      expectOneKey(pair);
    }
    expect(ends).toEqual(new Set(["no-answer", "paired, unconfirmed", "paired"]));
  });

  it.each(["cable", "code", "compare"] as const)(
    "by %s, for the first time: neither uses a key that the other lacks, but for a responder whose CHECK was lost",
    (way) => {
      const reasons: (string | undefined)[] = [];
      for (let arrivals = 0; arrivals <= 20; arrivals++) {
        const pair = cutAfter(way, arrivals, 2, false);
        reasons.push(whyNoTalk(pair));
        if (reasons.at(-1)) expect(pair.endA).toBe("no-answer");
        pair.fate = () => [{}];
        pair.pair(way);
        expectOneKey(pair);
      }
      expect(new Set(reasons)).toEqual(new Set([undefined, "pair again"]));
      expect(reasons[0]).toBeUndefined();
      expect(reasons.at(-1)).toBeUndefined();
    },
  );

  it("under loss, copies and delays: both have the same key in use, or each has what the other uses", () => {
    const copy = fc.record({ delayUs: fc.integer({ min: 100, max: 1_500_000 }) });
    const fates = fc.array(fc.array(copy, { maxLength: 3 }), { minLength: 60, maxLength: 60 });
    let paired = 0;
    fc.assert(
      fc.property(fates, fc.constantFrom("cable", "renew"), fc.nat(10_000), (list, way, seed) => {
        const pair = pairedBefore({ seed });
        pair.fate = ({ index }) => list[index % list.length]!;
        pair.pair(way);
        expect(whyNoTalk(pair)).toBeUndefined();
        expect(pair.endA).toBeDefined();
        if (pair.endA !== "paired") return;
        paired++;
        expectOneKey(pair);
      }),
      { numRuns: 300 },
    );
    expect(paired).toBeGreaterThan(150);
  });

  it("several exchanges in a row may be cut off anywhere, in any way, and both can still talk", () => {
    const cut = fc.record({
      way: fc.constantFrom<PairingWay>("cable", "cable", "renew"),
      arrivals: fc.nat(12),
      restart: fc.constantFrom("none", "A", "B"),
    });
    fc.assert(
      fc.property(fc.array(cut, { maxLength: 3 }), fc.nat(10_000), (cuts, seed) => {
        const pair = pairedBefore({ seed });
        for (const { way, arrivals, restart } of cuts) {
          let arrived = 0;
          pair.fate = () => (arrived++ < arrivals ? [{}] : []);
          pair.pair(way);
          if (restart === "A") pair.restartA();
          if (restart === "B") pair.restartB();
          expect(whyNoTalk(pair)).toBeUndefined();
        }
        pair.fate = () => [{}];
        pair.pair("renew");
        expectOneKey(pair);
      }),
      { numRuns: 300 },
    );
  });

  it.each(WAYS)("by %s: either side may restart at any moment", (way) => {
    for (const side of ["A", "B"] as const)
      for (let at = 0; at < 14; at++) {
        const pair = pairedBefore({ seed: at });
        pair.fate = ({ index }) => {
          if (index === at) {
            if (side === "A") pair.clock.setTimer(pair.clock.nowUs(), () => pair.restartA());
            else pair.restartB();
          }
          return [{}];
        };
        pair.pair(way);
        expect(whyNoTalk(pair), `${side} at ${at}`).toBeUndefined();
        pair.fate = () => [{}];
        pair.pair(way);
        expectOneKey(pair);
      }
  });

  it("tells an initiator whose responder has restarted", () => {
    const pair = new ExchangePair();
    pair.fate = ({ body }) => {
      if (body[0] === STEP.proof) pair.restartB();
      return [{}];
    };
    pair.pair("code");
    expect(pair.endA).toBe("exchange-unknown");
  });
});
