import { naturalLog } from "./portable-log.js";

/** 2^32, written out: ECMAScript leaves the last bits of `**` to the engine. */
const WORDS = 0x1_0000_0000;

/**
 * A seeded stream of random numbers, the same on every machine.
 *
 * The generator is xoshiro128** 1.1 (D. Blackman and S. Vigna, 2018, placed in the public domain,
 * https://prng.di.unimi.it/xoshiro128starstar.c): 128 bits of state, period 2^128 − 1.
 *
 * A stream is named: `7/02…0a>02…0b/loss` is the stream of seed 7 for the losses of one path. The
 * name alone fixes every number of the stream. Each use of chance has a stream of its own, so that
 * one more draw in one place shifts nothing elsewhere.
 */
export class Random {
  /** Seed and labels: everything that the stream depends on. */
  readonly name: string;
  // Kept as signed 32-bit integers: engines store those without a box.
  #a: number;
  #b: number;
  #c: number;
  #d: number;

  /** @param name - for a fresh run its seed; for streams within it, see {@link Random.stream} */
  constructor(name: string | number) {
    this.name = String(name);
    const [a, b, c, d] = stateFromName(this.name);
    this.#a = a;
    this.#b = b;
    this.#c = c;
    this.#d = d;
  }

  /** A stream from a bare state, as the published code takes it. At least one word is not 0. */
  static fromState(a: number, b: number, c: number, d: number): Random {
    const random = new Random("");
    random.#a = a | 0;
    random.#b = b | 0;
    random.#c = c | 0;
    random.#d = d | 0;
    return random;
  }

  /** The stream of this label: always the same one, however much was drawn from this one. */
  stream(label: string): Random {
    return new Random(`${this.name}/${label}`);
  }

  /** Uniform over 0..2^32 − 1. */
  uint32(): number {
    const result = Math.imul(rotateLeft(Math.imul(this.#b, 5), 7), 9);
    const shifted = this.#b << 9;
    this.#c ^= this.#a;
    this.#d ^= this.#b;
    this.#b ^= this.#c;
    this.#a ^= this.#d;
    this.#c ^= shifted;
    this.#d = rotateLeft(this.#d, 11);
    return result >>> 0;
  }

  /** Uniform over 0 ≤ u < 1, in steps of 2^-32. */
  uniform(): number {
    return this.uint32() / WORDS;
  }

  /**
   * `true` with the probability behind {@link chanceThreshold}.
   * @param threshold - 0 (never) to 2^32 (always)
   */
  chance(threshold: number): boolean {
    return this.uint32() < threshold;
  }

  /**
   * Uniform over `min`..`max`, both included. Some values are likelier than others by a factor of at
   * most 1 + (max − min + 1)/2^32.
   * @param max - at most min + 2^32 − 1
   */
  integer(min: number, max: number): number {
    return min + Math.floor(this.uniform() * (max - min + 1));
  }

  /** Exponential with mean 1, from 0 to 22.2 (the uniform variable behind it has 32 bits). */
  exponential(): number {
    return -naturalLog(1 - this.uniform());
  }

  /**
   * Normal with mean 0 and standard deviation 1, by the polar method (G. Marsaglia, T. A. Bray, "A
   * convenient method for generating normal variables", SIAM Review 6, 1964). The second value of
   * each pair is not kept: a stream has no memory but its state. `Math.sqrt` is a correctly rounded
   * operation of IEEE 754 and so the same everywhere.
   */
  normal(): number {
    for (;;) {
      const u = 2 * this.uniform() - 1;
      const v = 2 * this.uniform() - 1;
      const square = u * u + v * v;
      if (square > 0 && square < 1) return u * Math.sqrt((-2 * naturalLog(square)) / square);
    }
  }
}

/** A probability in steps of 2^-32, for {@link Random.chance}: 0 is never, 2^32 is always. */
export function chanceThreshold(probability: number): number {
  return Math.round(probability * WORDS);
}

type State = [a: number, b: number, c: number, d: number];

function rotateLeft(word: number, bits: number): number {
  return (word << bits) | (word >>> (32 - bits));
}

/**
 * Spreads a name over 128 bits. No published hash: four lanes that take in each UTF-16 code unit
 * and then their neighbour, with the multipliers and the finaliser of MurmurHash3 (A. Appleby, in
 * the public domain). A test checks that similar names give unlike states.
 */
function stateFromName(name: string): State {
  const state: State = [0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a];
  for (let index = 0; index < name.length; index++) {
    const unit = name.charCodeAt(index);
    state[0] = rotateLeft(Math.imul(state[0] ^ unit, 0x239b961b), 15) ^ state[1];
    state[1] = rotateLeft(Math.imul(state[1] ^ unit, 0xab0e9789), 16) ^ state[2];
    state[2] = rotateLeft(Math.imul(state[2] ^ unit, 0x38b34ae5), 17) ^ state[3];
    state[3] = rotateLeft(Math.imul(state[3] ^ unit, 0xa1e38b93), 18) ^ state[0];
  }
  let carried = name.length;
  for (let lane = 0; lane < 8; lane++) {
    carried = finalMix(state[lane & 3]! ^ carried);
    state[lane & 3] = carried;
  }
  // The one state that the generator cannot leave.
  if ((state[0] | state[1] | state[2] | state[3]) === 0) state[0] = 1;
  return state;
}

/** `fmix32` of MurmurHash3. */
function finalMix(word: number): number {
  let mixed = word;
  mixed = Math.imul(mixed ^ (mixed >>> 16), 0x85ebca6b);
  mixed = Math.imul(mixed ^ (mixed >>> 13), 0xc2b2ae35);
  return mixed ^ (mixed >>> 16);
}
