import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { withinFourSigma } from "./confidence.js";
import {
  GilbertElliottLoss,
  IndependentLoss,
  parseLossTrace,
  TimedGilbertElliottLoss,
  TraceLoss,
} from "./loss-models.js";
import { Random } from "./random.js";

const TRIALS = 200_000;

describe("independent loss", () => {
  it("loses the share asked for", () => {
    for (const rate of [0, 0.01, 0.1, 0.3, 0.9, 1]) {
      const model = new IndependentLoss(rate, new Random(`loss ${rate}`));
      let lost = 0;
      for (let trial = 0; trial < TRIALS; trial++) if (model.losesNext()) lost++;
      expect(withinFourSigma(lost, TRIALS, rate)).toBe(true);
    }
  });

  it("has no memory: what follows a loss is lost as often as anything else", () => {
    const model = new IndependentLoss(0.3, new Random("memory"));
    let after = 0;
    let lostAfter = 0;
    let previous = false;
    for (let trial = 0; trial < TRIALS; trial++) {
      const lost = model.losesNext();
      if (previous) {
        after++;
        if (lost) lostAfter++;
      }
      previous = lost;
    }
    expect(withinFourSigma(lostAfter, after, 0.3)).toBe(true);
  });
});

/**
 * Deviation of the share of bad datagrams among n: successive states are correlated by
 * λ = 1 − g − b, which multiplies the binomial variance by (1 + λ)/(1 − λ) (two-state Markov chain,
 * any textbook of stochastic processes).
 */
function badShareSigma(g: number, b: number, n: number): number {
  const share = g / (g + b);
  const correlation = 1 - g - b;
  return Math.sqrt((share * (1 - share) * (1 + correlation)) / ((1 - correlation) * n));
}

describe("Gilbert-Elliott", () => {
  // Values of the two channels: Gilbert 1960, Elliott 1963, worked out: g/(g + b) and 1/b.
  it.each([
    { g: 0.02, b: 0.25, badShare: 0.07407, burst: 4 },
    { g: 0.05, b: 0.2, badShare: 0.2, burst: 5 },
  ])("g = $g, b = $b: $badShare of the time bad, $burst datagrams at a stretch", (channel) => {
    const { g, b, badShare, burst } = channel;
    const model = new GilbertElliottLoss(
      { goodToBad: g, badToGood: b },
      new Random(`gilbert ${g}`),
    );
    let bad = 0;
    let lost = 0;
    let bursts = 0;
    let wasBad = false;
    for (let trial = 0; trial < TRIALS; trial++) {
      if (model.bad) {
        bad++;
        if (!wasBad) bursts++;
      }
      wasBad = model.bad;
      if (model.losesNext()) lost++;
    }
    expect(badShare).toBeCloseTo(g / (g + b), 5);
    const sigma = badShareSigma(g, b, TRIALS);
    expect(Math.abs(bad / TRIALS - g / (g + b))).toBeLessThan(4 * sigma);
    // With the default rates exactly the bad ones are lost.
    expect(lost).toBe(bad);
    // Stays are geometric: mean 1/b, deviation √(1 − b)/b.
    const stayError = Math.abs(bad / bursts - burst);
    expect(stayError).toBeLessThan((4 * Math.sqrt(1 - b)) / b / Math.sqrt(bursts));
  });

  it("loses (lossGood b + lossBad g)/(g + b) on the average", () => {
    const [g, b, lossGood, lossBad] = [0.05, 0.2, 0.02, 0.6];
    const options = { goodToBad: g, badToGood: b, lossGood, lossBad };
    const model = new GilbertElliottLoss(options, new Random("elliott"));
    let lost = 0;
    for (let trial = 0; trial < TRIALS; trial++) if (model.losesNext()) lost++;
    const mean = (lossGood * b + lossBad * g) / (g + b);
    expect(mean).toBeCloseTo(0.136, 10);
    // Binomial, plus what the wandering share of bad time adds.
    const sigma = Math.sqrt(
      (mean * (1 - mean)) / TRIALS + ((lossBad - lossGood) * badShareSigma(g, b, TRIALS)) ** 2,
    );
    expect(Math.abs(lost / TRIALS - mean)).toBeLessThan(4 * sigma);
  });

  it("starts in the bad state as often as it is bad", () => {
    const starts = 20_000;
    let bad = 0;
    for (let start = 0; start < starts; start++) {
      const options = { goodToBad: 0.05, badToGood: 0.2 };
      if (new GilbertElliottLoss(options, new Random(`start ${start}`)).bad) bad++;
    }
    expect(withinFourSigma(bad, starts, 0.2)).toBe(true);
  });

  it("stays good without a way to turn bad, and bad without a way back", () => {
    const good = new GilbertElliottLoss({ goodToBad: 0, badToGood: 0 }, new Random("good"));
    const bad = new GilbertElliottLoss({ goodToBad: 0.5, badToGood: 0 }, new Random("bad"));
    for (let trial = 0; trial < 1000; trial++) {
      expect(good.losesNext()).toBe(false);
      expect(bad.losesNext()).toBe(true);
    }
  });
});

describe("Gilbert-Elliott by time", () => {
  it("is bad for the share of time asked for, however often it is asked", () => {
    for (const periodUs of [1_000, 30_000]) {
      const options = { goodUsMean: 40_000, badUsMean: 10_000 };
      const model = new TimedGilbertElliottLoss(options, new Random(`timed ${periodUs}`), 0);
      const trials = 400_000;
      let lost = 0;
      for (let trial = 0; trial < trials; trial++) if (model.losesNext(trial * periodUs)) lost++;
      // Alternating exponential stays: correlation e^(−t(1/good + 1/bad)) between two samples.
      const correlation = Math.exp(-periodUs * (1 / 40_000 + 1 / 10_000));
      const inflation = (1 + correlation) / (1 - correlation);
      const sigma = Math.sqrt((0.2 * 0.8 * inflation) / trials);
      expect(Math.abs(lost / trials - 0.2)).toBeLessThan(4 * sigma);
    }
  });

  it("stays bad for the mean time asked for", () => {
    const options = { goodUsMean: 40_000, badUsMean: 10_000 };
    const model = new TimedGilbertElliottLoss(options, new Random("stays"), 0);
    const stepUs = 50;
    let bad = 0;
    let bursts = 0;
    let wasBad = true;
    for (let trial = 0; trial < 4_000_000; trial++) {
      const isBad = model.losesNext(trial * stepUs);
      if (isBad) bad++;
      if (isBad && !wasBad) bursts++;
      wasBad = isBad;
    }
    // Exponential: deviation = mean. A step of 50 µs overlooks stays shorter than it: 0.5 % at most.
    const meanUs = (bad * stepUs) / bursts;
    expect(Math.abs(meanUs - 10_000)).toBeLessThan((4 * 10_000) / Math.sqrt(bursts) + 50);
  });
});

describe("replayed losses", () => {
  it("follow the trace, again and again or once", () => {
    const take = (model: TraceLoss, count: number): string =>
      Array.from({ length: count }, () => (model.losesNext() ? "1" : "0")).join("");
    expect(take(new TraceLoss({ trace: "0110 1" }), 12)).toBe("011010110101");
    expect(take(new TraceLoss({ trace: [1, 0, 1], repeat: false }), 6)).toBe("101000");
    expect(take(new TraceLoss({ trace: [true, false] }), 4)).toBe("1010");
    expect(take(new TraceLoss({ trace: Uint8Array.of(0, 1) }), 4)).toBe("0101");
  });

  it("are refused if they are not made of 0 and 1", () => {
    for (const trace of ["", "  ", "012", "0x", [0, 2], [0.5], []]) {
      expect(() => parseLossTrace("replay.trace", trace)).toThrow(
        expect.objectContaining({ code: "bad-trace", field: "replay.trace" }),
      );
    }
  });

  it("come back from text as they were", () => {
    fc.assert(
      fc.property(fc.array(fc.constantFrom(0, 1), { minLength: 1 }), (trace) => {
        expect([...parseLossTrace("trace", trace.join(""))]).toEqual(trace);
        expect([...parseLossTrace("trace", trace)]).toEqual(trace);
      }),
    );
  });
});
