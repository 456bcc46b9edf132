import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { withinFourSigma } from "./confidence.js";
import { ImpairmentPipeline, type Impairments, mergeImpairments } from "./impairments.js";
import { Random } from "./random.js";

function pipeline(impairments: Impairments, seed: number | string = 1): ImpairmentPipeline {
  const made = new ImpairmentPipeline(new Random(seed));
  made.configure(impairments, 0);
  return made;
}

function fates(made: ImpairmentPipeline, count: number, fromUs = 0): string {
  const letters = { passes: ".", lost: "x", outage: "o" };
  return Array.from({ length: count }, (_, index) => letters[made.judge(fromUs + index)]).join("");
}

describe("losses", () => {
  it("are none when nothing is set", () => {
    expect(fates(pipeline({}), 100)).toBe(".".repeat(100));
  });

  it("of each model stay where they are, whatever the others do", () => {
    const replay = { trace: "0001" };
    const burst = { goodToBad: 0.1, badToGood: 0.3 };
    const alone = {
      replay: fates(pipeline({ replay }), 400),
      burst: fates(pipeline({ burst }), 400),
      loss: fates(pipeline({ loss: 0.2 }), 400),
    };
    const together = fates(pipeline({ replay, burst, loss: 0.2 }), 400);
    const either = [...together].map((_, index) =>
      Object.values(alone).some((trace) => trace[index] === "x") ? "x" : ".",
    );
    expect(together).toBe(either.join(""));
  });

  it("are not shifted by damage, copies, jitter or reordering", () => {
    const loss: Impairments = { loss: 0.3 };
    const all: Impairments = {
      ...loss,
      corruption: { probability: 0.5, bitsMax: 4 },
      duplication: { probability: 0.5, delayUsMax: 100 },
      reordering: { probability: 0.5, delayUsMax: 100 },
      jitterUs: 50,
    };
    const busy = pipeline(all);
    const trace = Array.from({ length: 500 }, (_, index) => {
      const passage = busy.judge(index);
      if (passage === "passes") {
        busy.arrivalUs(index);
        busy.heldUpUs();
        busy.copyDelayUs();
        busy.corrupt(new Uint8Array(20));
      }
      return passage === "lost" ? "x" : ".";
    });
    expect(trace.join("")).toBe(fates(pipeline(loss), 500));
  });

  it("go on where they are when other settings change, and never repeat themselves", () => {
    const replay = { trace: "0011" };
    const made = pipeline({ replay });
    expect(fates(made, 3)).toBe("..x");
    made.configure({ replay, delayUs: 5 }, 3);
    expect(fates(made, 3)).toBe("x..");
    made.configure({ replay: { ...replay } }, 6);
    expect(fates(made, 4)).toBe("..xx");

    const half = pipeline({ loss: 0.5 });
    const first = fates(half, 64);
    half.configure({}, 64);
    half.configure({ loss: 0.5 }, 64);
    expect(fates(half, 64, 64)).not.toBe(first);
  });

  it("in outages have a name of their own", () => {
    const outages = [
      [2, 4],
      [8, 9],
    ] as const;
    expect(fates(pipeline({ outages }), 10)).toBe("..oo....o.");
    expect(fates(pipeline({ outages, loss: 1 }), 10)).toBe("xxooxxxxox");
  });
});

describe("arrival", () => {
  it("is at once when nothing is set, and after the delay", () => {
    expect(pipeline({}).arrivalUs(1000)).toBe(1000);
    expect(pipeline({ delayUs: 250 }).arrivalUs(1000)).toBe(1250);
  });

  it("varies by jitter within its range, and never changes the order", () => {
    const made = pipeline({ delayUs: 100, jitterUs: 1000 });
    let previousUs = 0;
    let least = Number.POSITIVE_INFINITY;
    let most = 0;
    for (let trial = 0; trial < 20_000; trial++) {
      const leftAtUs = trial * 400;
      const arrivalUs = made.arrivalUs(leftAtUs);
      expect(arrivalUs).toBeGreaterThanOrEqual(previousUs);
      previousUs = arrivalUs;
      least = Math.min(least, arrivalUs - leftAtUs);
      most = Math.max(most, arrivalUs - leftAtUs);
    }
    expect(least).toBeGreaterThanOrEqual(100);
    expect(least).toBeLessThan(200);
    expect(most).toBeLessThanOrEqual(1100);
    expect(most).toBeGreaterThan(1000);
  });

  it("is held up as often and for as long as reordering says", () => {
    const made = pipeline({
      reordering: { probability: 0.25, delayUsMin: 500, delayUsMax: 2_000_000 },
    });
    const trials = 40_000;
    let heldUp = 0;
    for (let trial = 0; trial < trials; trial++) {
      const heldUpUs = made.heldUpUs();
      if (heldUpUs === -1) continue;
      heldUp++;
      expect(heldUpUs).toBeGreaterThanOrEqual(500);
      expect(heldUpUs).toBeLessThanOrEqual(2_000_000);
    }
    expect(withinFourSigma(heldUp, trials, 0.25)).toBe(true);
    expect(pipeline({ delayUs: 9 }).heldUpUs()).toBe(-1);
  });

  it("keeps the order for any delay and jitter without reordering", () => {
    const gaps = fc.array(fc.nat(500), { maxLength: 50 });
    fc.assert(
      fc.property(fc.nat(), fc.nat(1000), fc.nat(1000), gaps, (seed, delayUs, jitterUs, waits) => {
        const made = pipeline({ delayUs, jitterUs }, seed);
        let nowUs = 0;
        let previousUs = 0;
        for (const waitUs of waits) {
          nowUs += waitUs;
          const arrivalUs = made.arrivalUs(nowUs);
          expect(arrivalUs).toBeGreaterThanOrEqual(Math.max(previousUs, nowUs + delayUs));
          previousUs = arrivalUs;
        }
      }),
    );
  });
});

describe("copies", () => {
  it("come as often and as late as asked for", () => {
    const made = pipeline({
      duplication: { probability: 0.1, delayUsMin: 7, delayUsMax: 3_000_000 },
    });
    const trials = 50_000;
    let copies = 0;
    for (let trial = 0; trial < trials; trial++) {
      const delayUs = made.copyDelayUs();
      if (delayUs < 0) continue;
      copies++;
      expect(delayUs).toBeGreaterThanOrEqual(7);
      expect(delayUs).toBeLessThanOrEqual(3_000_000);
    }
    expect(withinFourSigma(copies, trials, 0.1)).toBe(true);
    expect(pipeline({}).copyDelayUs()).toBe(-1);
    expect(pipeline({ duplication: { probability: 1 } }).copyDelayUs()).toBe(0);
  });
});

describe("layers of settings", () => {
  it("prevail field by field, the later over the earlier", () => {
    const burst = { goodToBad: 0.1, badToGood: 0.5 };
    const merged = mergeImpairments(
      { loss: 0.1, delayUs: 5, burst },
      { loss: 0.2, burst: null },
      { delayUs: 0 },
    );
    expect(merged).toEqual({ loss: 0.2, delayUs: 0, burst: null });
    expect(fates(pipeline({ ...merged, loss: 0 }), 50)).toBe(".".repeat(50));
  });
});
