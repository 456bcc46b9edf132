import { naturalLog } from "./portable-log.js";
import { chanceThreshold, type Random } from "./random.js";
import { checkFields, checkInteger, checkProbability, within } from "./validation.js";

/** Noise: each bit of a datagram flips for itself. */
export interface BitErrors {
  /** Probability of each bit to flip, 0..1. At 1 every bit does. */
  readonly bitErrorRate: number;
}

/** Damage to a given share of the datagrams: a few bits flip, never the same one twice. */
export interface DamagedDatagrams {
  /** Probability of a datagram to be damaged, 0..1. At 1 every datagram differs from its original. */
  readonly probability: number;
  /** Fewest bits that flip, 1..65535; default 1. */
  readonly bitsMin?: number;
  /** Most bits that flip, `bitsMin`..65535; default `bitsMin`. A datagram has no more than its own. */
  readonly bitsMax?: number;
}

/** Damage that arrives: the link delivers the datagram all the same. */
export type Corruption = BitErrors | DamagedDatagrams;

/** Flips bits of what arrives. */
export interface BitFlipper {
  /** @returns whether anything was changed; an empty datagram has nothing to change */
  flip(datagram: Uint8Array): boolean;
}

export function bitFlipperFor(corruption: Corruption, random: Random): BitFlipper {
  return "bitErrorRate" in corruption
    ? new NoisyBits(corruption, random)
    : new FewBits(corruption, random);
}

/** Instead of asking each bit, jumps from one flipped bit to the next: the gaps are geometric. */
class NoisyBits implements BitFlipper {
  readonly #random: Random;
  /** ln(1 − rate); −∞ where every bit flips. */
  readonly #logPass: number;

  constructor(options: BitErrors, random: Random) {
    this.#random = random;
    const passRate = 1 - options.bitErrorRate;
    this.#logPass = passRate > 0 ? naturalLog(passRate) : Number.NEGATIVE_INFINITY;
  }

  flip(datagram: Uint8Array): boolean {
    if (this.#logPass === 0) return false;
    const bits = datagram.length * 8;
    let flipped = false;
    for (let bit = this.#gap(); bit < bits; bit += 1 + this.#gap()) {
      flipBit(datagram, bit);
      flipped = true;
    }
    return flipped;
  }

  #gap(): number {
    return Math.floor(-this.#random.exponential() / this.#logPass);
  }
}

class FewBits implements BitFlipper {
  readonly #random: Random;
  readonly #threshold: number;
  readonly #bitsMin: number;
  readonly #bitsMax: number;
  readonly #flipped = new Set<number>();

  constructor(options: DamagedDatagrams, random: Random) {
    this.#random = random;
    this.#threshold = chanceThreshold(options.probability);
    this.#bitsMin = options.bitsMin ?? 1;
    this.#bitsMax = options.bitsMax ?? this.#bitsMin;
  }

  flip(datagram: Uint8Array): boolean {
    if (!this.#random.chance(this.#threshold)) return false;
    const bits = datagram.length * 8;
    const wanted = Math.min(bits, this.#random.integer(this.#bitsMin, this.#bitsMax));
    const flipped = this.#flipped;
    flipped.clear();
    while (flipped.size < wanted) {
      const bit = this.#random.integer(0, bits - 1);
      // A bit that flips twice is whole again.
      if (flipped.has(bit)) continue;
      flipped.add(bit);
      flipBit(datagram, bit);
    }
    return wanted > 0;
  }
}

function flipBit(datagram: Uint8Array, bit: number): void {
  datagram[bit >> 3]! ^= 0x80 >> (bit & 7);
}

/** @throws LossyLinkError */
export function checkCorruption(field: string, corruption: Corruption): void {
  if (typeof corruption === "object" && corruption !== null && "bitErrorRate" in corruption) {
    checkFields(field, corruption, ["bitErrorRate"]);
    checkProbability(within(field, "bitErrorRate"), corruption.bitErrorRate);
    return;
  }
  checkFields(field, corruption, ["probability", "bitsMin", "bitsMax"]);
  const { probability, bitsMin = 1, bitsMax = bitsMin } = corruption;
  checkProbability(within(field, "probability"), probability);
  checkInteger(within(field, "bitsMin"), bitsMin, 1, 65535);
  checkInteger(within(field, "bitsMax"), bitsMax, bitsMin, 65535);
}
