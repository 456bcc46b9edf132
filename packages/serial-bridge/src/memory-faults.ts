import { SerialBridgeError } from "./errors.js";

/** What befalls each byte of a line, by itself and at random: probabilities from 0 to 1. */
export interface LineFaults {
  /** One bit of it is turned over. Default 0. */
  readonly flip?: number;
  /** It is lost. Default 0; 1 is a line that is cut. */
  readonly drop?: number;
  /** A byte that nobody sent comes before it. Default 0. */
  readonly insert?: number;
}

/** Counts of one direction of a line. */
export interface LineTally {
  /** Bytes that were sent. */
  readonly bytes: number;
  readonly flipped: number;
  readonly dropped: number;
  readonly inserted: number;
}

const WORDS = 0x1_0000_0000;

/** @throws {@link SerialBridgeError} `invalid-option` */
export function checkedFaults(faults: LineFaults): Required<LineFaults> {
  const { flip = 0, drop = 0, insert = 0, ...others } = faults;
  const [unknown] = Object.keys(others);
  if (unknown !== undefined) {
    throw new SerialBridgeError(
      "invalid-option",
      `There is no fault "${unknown}". Use flip, drop and insert.`,
    );
  }
  for (const [name, value] of Object.entries({ flip, drop, insert })) {
    if (!(value >= 0 && value <= 1)) {
      throw new SerialBridgeError(
        "invalid-option",
        `The probability ${name} is ${value}: give a number from 0 to 1.`,
      );
    }
  }
  return { flip, drop, insert };
}

/** One direction of a line: what becomes of its bytes. */
export class NoisyLine {
  faults: Required<LineFaults> = checkedFaults({});
  readonly tally = { bytes: 0, flipped: 0, dropped: 0, inserted: 0 };
  #state: number;

  /** @param seed - whole; everything that befalls bytes follows from it */
  constructor(seed: number) {
    // Spread over all 32 bits, and never 0, which the generator cannot leave.
    this.#state = Math.imul(seed ^ 0x2545f491, 0x9e3779b1) || 1;
    for (let turn = 0; turn < 8; turn++) this.#draw();
  }

  /** What arrives of these bytes: the same array when nothing befell them. */
  pass(bytes: Uint8Array): Uint8Array {
    const { flip, drop, insert } = this.faults;
    this.tally.bytes += bytes.length;
    if (flip === 0 && drop === 0 && insert === 0) return bytes;
    const passed: number[] = [];
    for (const byte of bytes) {
      if (insert > 0 && this.#happens(insert)) {
        this.tally.inserted++;
        passed.push(this.#draw() >>> 24);
      }
      if (drop > 0 && this.#happens(drop)) {
        this.tally.dropped++;
        continue;
      }
      const isFlipped = flip > 0 && this.#happens(flip);
      if (isFlipped) this.tally.flipped++;
      passed.push(isFlipped ? byte ^ (1 << (this.#draw() >>> 29)) : byte);
    }
    return Uint8Array.from(passed);
  }

  /**
   * What a receiver makes of bytes of another bit rate: anything, and fewer if it is the slower one.
   * @param ratio - the receiver's rate divided by the sender's
   */
  misread(bytes: Uint8Array, ratio: number): Uint8Array {
    const heard: number[] = [];
    for (let index = 0; index < bytes.length; index++) {
      if (ratio >= 1 || this.#happens(ratio)) heard.push(this.#draw() >>> 24);
    }
    return Uint8Array.from(heard);
  }

  #happens(probability: number): boolean {
    return this.#draw() < probability * WORDS;
  }

  /** Uniform over 1..2^32 - 1: xorshift32 (G. Marsaglia, "Xorshift RNGs", 2003). */
  #draw(): number {
    let word = this.#state;
    word ^= word << 13;
    word ^= word >>> 17;
    word ^= word << 5;
    this.#state = word;
    return word >>> 0;
  }
}
