import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { meanWithinFourSigma, withinFourSigma } from "./confidence.js";
import { chanceThreshold, Random } from "./random.js";

/** The published C code of xoshiro128** 1.1 once more, with integers that have no sign and no limit. */
function* xoshiro128StarStar(...seed: bigint[]): Generator<bigint> {
  const word = (value: bigint): bigint => value & 0xffff_ffffn;
  const rotl = (x: bigint, k: bigint): bigint => word(x << k) | (x >> (32n - k));
  const s = [...seed] as [bigint, bigint, bigint, bigint];
  for (;;) {
    yield word(rotl(word(s[1] * 5n), 7n) * 9n);
    const t = word(s[1] << 9n);
    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = rotl(s[3], 11n);
  }
}

describe("the generator", () => {
  it("gives what the reference code gives for the state 1, 2, 3, 4", () => {
    // Values of a published implementation's tests (from memory); see also the next test.
    const random = Random.fromState(1, 2, 3, 4);
    const published = [
      11520, 0, 5927040, 70819200, 2031721883, 1637235492, 1287239034, 3734860849, 3729100597,
      4258142804,
    ];
    expect(published.map(() => random.uint32())).toEqual(published);
  });

  it("agrees with a second implementation from any state", () => {
    const word = fc.integer({ min: 0, max: 0xffff_ffff });
    fc.assert(
      fc.property(fc.tuple(word, word, word, word), (state) => {
        const random = Random.fromState(...state);
        const reference = xoshiro128StarStar(...state.map(BigInt));
        for (let draw = 0; draw < 50; draw++) {
          expect(BigInt(random.uint32())).toBe(reference.next().value);
        }
      }),
    );
  });
});

describe("streams", () => {
  it("depend on their name alone", () => {
    const parent = new Random(7);
    const before = parent.stream("loss");
    for (let draw = 0; draw < 100; draw++) parent.uint32();
    const after = parent.stream("loss");
    expect(after.name).toBe("7/loss");
    for (let draw = 0; draw < 100; draw++) expect(after.uint32()).toBe(before.uint32());
  });

  it("of 20,000 similar names start with different numbers", () => {
    const root = new Random(1);
    const firsts = new Set<string>();
    for (let index = 0; index < 20_000; index++) {
      const stream = root.stream(`${index}`);
      firsts.add(`${stream.uint32()} ${stream.uint32()}`);
    }
    expect(firsts.size).toBe(20_000);
  });

  it("of neighbouring names differ from their first number on, in half of its bits", () => {
    const names = 4000;
    const equal = new Array<number>(32).fill(0);
    for (let index = 0; index < names; index++) {
      const one = new Random(`1/loss ${2 * index}`).uint32();
      const other = new Random(`1/loss ${2 * index + 1}`).uint32();
      for (let bit = 0; bit < 32; bit++) equal[bit]! += ~((one ^ other) >>> bit) & 1;
    }
    for (const count of equal) expect(withinFourSigma(count, names, 0.5)).toBe(true);
  });

  it("of neighbouring seeds and labels agree in half of their bits, as chance would have it", () => {
    for (const [one, other] of [
      ["1", "2"],
      ["1/a", "1/b"],
      ["1/a", "1/aa"],
      ["12/3", "1/23"],
    ]) {
      const left = new Random(one!);
      const right = new Random(other!);
      let equalBits = 0;
      for (let draw = 0; draw < 1000; draw++) {
        for (let bits = ~(left.uint32() ^ right.uint32()); bits !== 0; bits &= bits - 1)
          equalBits++;
      }
      expect(withinFourSigma(equalBits, 32_000, 0.5)).toBe(true);
    }
  });
});

describe("distributions", () => {
  const trials = 200_000;

  it("uniform: mean 1/2, deviation 1/√12, each tenth a tenth", () => {
    const random = new Random("uniform");
    const tenths = new Array<number>(10).fill(0);
    let sum = 0;
    for (let trial = 0; trial < trials; trial++) {
      const value = random.uniform();
      tenths[Math.floor(value * 10)]! += 1;
      sum += value;
    }
    expect(meanWithinFourSigma(sum / trials, 0.5, Math.sqrt(1 / 12), trials)).toBe(true);
    for (const count of tenths) expect(withinFourSigma(count, trials, 0.1)).toBe(true);
  });

  it("chance: never at 0, always at 1, and the share asked for in between", () => {
    const random = new Random("chance");
    for (const probability of [0, 0.001, 0.2, 0.5, 0.97, 1]) {
      const threshold = chanceThreshold(probability);
      let hits = 0;
      for (let trial = 0; trial < trials; trial++) if (random.chance(threshold)) hits++;
      expect(withinFourSigma(hits, trials, probability)).toBe(true);
    }
  });

  it("chance: not even a draw of 0 is a hit at 0", () => {
    const random = Random.fromState(1, 2, 3, 4);
    random.uint32();
    // The second number of this state is 0, see above.
    expect(random.chance(0)).toBe(false);
  });

  it("integer: both ends included, all equally often", () => {
    const random = new Random("integer");
    const counts = new Map<number, number>();
    for (let trial = 0; trial < trials; trial++) {
      const value = random.integer(-3, 4);
      counts.set(value, (counts.get(value) ?? 0) + 1);
    }
    expect([...counts.keys()].sort((a, b) => a - b)).toEqual([-3, -2, -1, 0, 1, 2, 3, 4]);
    for (const count of counts.values()) {
      expect(withinFourSigma(count, trials, 1 / 8)).toBe(true);
    }
    expect(random.integer(5, 5)).toBe(5);
  });

  it("exponential: mean 1, deviation 1, and e^-1 of the values above 1", () => {
    const random = new Random("exponential");
    let sum = 0;
    let above = 0;
    for (let trial = 0; trial < trials; trial++) {
      const value = random.exponential();
      expect(value).toBeGreaterThanOrEqual(0);
      sum += value;
      if (value > 1) above++;
    }
    expect(meanWithinFourSigma(sum / trials, 1, 1, trials)).toBe(true);
    expect(withinFourSigma(above, trials, Math.exp(-1))).toBe(true);
  });

  it("normal: mean 0, variance 1, and 15.866 % above one deviation", () => {
    const random = new Random("normal");
    let sum = 0;
    let squares = 0;
    let above = 0;
    for (let trial = 0; trial < trials; trial++) {
      const value = random.normal();
      sum += value;
      squares += value * value;
      if (value > 1) above++;
    }
    expect(meanWithinFourSigma(sum / trials, 0, 1, trials)).toBe(true);
    // The square of a normal variable has variance 2.
    expect(meanWithinFourSigma(squares / trials, 1, Math.SQRT2, trials)).toBe(true);
    // 1 − Φ(1) = 0.158655, table 26.1 of Abramowitz and Stegun (from memory).
    expect(withinFourSigma(above, trials, 0.158655)).toBe(true);
  });
});
