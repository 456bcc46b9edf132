import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { withinFourSigma } from "./confidence.js";
import { bitFlipperFor } from "./corruption.js";
import { Random } from "./random.js";

function flippedBits(one: Uint8Array, other: Uint8Array): number {
  let count = 0;
  for (let index = 0; index < one.length; index++) {
    for (let bits = one[index]! ^ other[index]!; bits !== 0; bits &= bits - 1) count++;
  }
  return count;
}

describe("damaged datagrams", () => {
  it("at probability 1 all differ from their original, by as many bits as allowed", () => {
    const datagram = fc.uint8Array({ minLength: 1, maxLength: 40 });
    const bits = fc.tuple(fc.integer({ min: 1, max: 20 }), fc.integer({ min: 1, max: 20 }));
    fc.assert(
      fc.property(fc.nat(), datagram, bits, (seed, original, [one, other]) => {
        const [bitsMin, bitsMax] = one < other ? [one, other] : [other, one];
        const flipper = bitFlipperFor({ probability: 1, bitsMin, bitsMax }, new Random(seed));
        const damaged = original.slice();
        expect(flipper.flip(damaged)).toBe(true);
        const flipped = flippedBits(original, damaged);
        expect(flipped).toBeGreaterThanOrEqual(Math.min(bitsMin, original.length * 8));
        expect(flipped).toBeLessThanOrEqual(bitsMax);
      }),
    );
  });

  it("are the share asked for, and it says which", () => {
    const flipper = bitFlipperFor({ probability: 0.2, bitsMax: 3 }, new Random("share"));
    const trials = 50_000;
    const original = new Uint8Array(250);
    let damaged = 0;
    for (let trial = 0; trial < trials; trial++) {
      const datagram = original.slice();
      const said = flipper.flip(datagram);
      expect(said).toBe(flippedBits(original, datagram) > 0);
      if (said) damaged++;
    }
    expect(withinFourSigma(damaged, trials, 0.2)).toBe(true);
  });

  it("are damaged anywhere: each bit as often as any other", () => {
    const flipper = bitFlipperFor({ probability: 1 }, new Random("anywhere"));
    const trials = 160_000;
    const hits = new Array<number>(16).fill(0);
    for (let trial = 0; trial < trials; trial++) {
      const datagram = new Uint8Array(2);
      flipper.flip(datagram);
      hits[Math.clz32((datagram[0]! << 8) | datagram[1]!) - 16]! += 1;
    }
    for (const count of hits) expect(withinFourSigma(count, trials, 1 / 16)).toBe(true);
  });

  it("do not exist at probability 0, nor without bytes", () => {
    const datagram = Uint8Array.of(1, 2, 3);
    expect(bitFlipperFor({ probability: 0 }, new Random(1)).flip(datagram)).toBe(false);
    expect([...datagram]).toEqual([1, 2, 3]);
    expect(bitFlipperFor({ probability: 1 }, new Random(1)).flip(new Uint8Array(0))).toBe(false);
  });
});

describe("bit errors", () => {
  it("hit the share of bits asked for", () => {
    for (const bitErrorRate of [1e-4, 0.01, 0.3, 0.9]) {
      const flipper = bitFlipperFor({ bitErrorRate }, new Random(`rate ${bitErrorRate}`));
      const original = new Uint8Array(250);
      let flipped = 0;
      for (let trial = 0; trial < 1000; trial++) {
        const datagram = original.slice();
        const said = flipper.flip(datagram);
        const count = flippedBits(original, datagram);
        expect(said).toBe(count > 0);
        flipped += count;
      }
      expect(withinFourSigma(flipped, 1000 * 2000, bitErrorRate)).toBe(true);
    }
  });

  it("leave 1 − (1 − rate)^bits of the datagrams damaged", () => {
    const flipper = bitFlipperFor({ bitErrorRate: 1e-3 }, new Random("damaged"));
    let damaged = 0;
    for (let trial = 0; trial < 50_000; trial++) if (flipper.flip(new Uint8Array(100))) damaged++;
    expect(withinFourSigma(damaged, 50_000, 1 - (1 - 1e-3) ** 800)).toBe(true);
  });

  it("are none at rate 0 and all at rate 1", () => {
    const datagram = Uint8Array.of(0x0f, 0xa5);
    expect(bitFlipperFor({ bitErrorRate: 0 }, new Random(1)).flip(datagram)).toBe(false);
    expect([...datagram]).toEqual([0x0f, 0xa5]);
    expect(bitFlipperFor({ bitErrorRate: 1 }, new Random(1)).flip(datagram)).toBe(true);
    expect([...datagram]).toEqual([0xf0, 0x5a]);
  });
});
