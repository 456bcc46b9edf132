import { createRequire } from "node:module";
import { crc16kermit } from "crc";
import bareKermit from "crc/calculators/crc16kermit";
import { CRC } from "crc-full";
// The entries of the packages do not offer them: they are parts, not an interface.
import { CRC16_START, updateCrc16 } from "../../packages/core/src/wire/crc16.js";
import { cobsBytesMax, decodeCobs, encodeCobs } from "../../packages/serial-bridge/src/cobs.js";
import type { Lap } from "./race.js";

/** It comes without types. */
const cobs = createRequire(import.meta.url)("cobs") as {
  encode(bytes: Uint8Array): Uint8Array;
  decode(bytes: Uint8Array): Uint8Array;
};

/**
 * One way to do a thing: once, to compare results, and as a lap for the clock. All take Buffers, so
 * that nobody pays for making one.
 */
export interface Contender<Result> {
  readonly name: string;
  once(bytes: Buffer): Result;
  lap(payloads: readonly Buffer[]): Lap;
}

/** CRC-16/IBM-SDLC as core sends it. */
export const ourCrc: Contender<number> = {
  name: "fardel",
  once: (bytes) => ~updateCrc16(CRC16_START, bytes, 0, bytes.length) & 0xffff,
  lap: (payloads) => () => {
    let sum = 0;
    for (const bytes of payloads) sum += ~updateCrc16(CRC16_START, bytes, 0, bytes.length) & 0xffff;
    return sum;
  },
};

/** From the catalogue that comes with the package. */
const x25 = CRC.default("CRC16_X_25");

/**
 * The same CRC by others. `crc` has no CRC-16/IBM-SDLC, but its CRC-16/KERMIT is the same register:
 * with the start value FFFF and inverted, the result is the same.
 */
export const otherCrcs: readonly Contender<number>[] = [
  {
    name: "crc",
    once: (bytes) => ~crc16kermit(bytes, CRC16_START) & 0xffff,
    lap: (payloads) => () => {
      let sum = 0;
      for (const bytes of payloads) sum += ~crc16kermit(bytes, CRC16_START) & 0xffff;
      return sum;
    },
  },
  {
    name: "crc, bare",
    once: (bytes) => ~bareKermit(bytes, CRC16_START) & 0xffff,
    lap: (payloads) => () => {
      let sum = 0;
      for (const bytes of payloads) sum += ~bareKermit(bytes, CRC16_START) & 0xffff;
      return sum;
    },
  },
  {
    name: "crc-full",
    once: fullCrc,
    lap: (payloads) => () => {
      let sum = 0;
      for (const bytes of payloads) sum += fullCrc(bytes);
      return sum;
    },
  },
];

function fullCrc(bytes: Buffer): number {
  if (!x25) throw new Error("crc-full has no CRC16_X_25 any more.");
  return x25.compute(bytes);
}

/**
 * Stuffing and unstuffing with a new Buffer for each result, from Node's pool, as the other package
 * gives it: for short payloads that costs more than the work itself.
 */
export interface Codec {
  readonly encode: Contender<Uint8Array>;
  readonly decode: Contender<Uint8Array>;
}

export const ourCobs: Codec = {
  encode: {
    name: "fardel",
    once: encoded,
    lap: (payloads) => () => {
      let sum = 0;
      for (const bytes of payloads) sum += encoded(bytes).length;
      return sum;
    },
  },
  decode: {
    name: "fardel",
    once: decoded,
    lap: (payloads) => () => {
      let sum = 0;
      for (const bytes of payloads) sum += decoded(bytes).length;
      return sum;
    },
  },
};

/** Ours into one buffer that is used again, as the serial link calls it. */
export const reusingCobs: Codec = {
  encode: {
    name: "fardel, buffer used again",
    once: encoded,
    lap: (payloads) => {
      const out = Buffer.alloc(Math.max(...payloads.map(({ length }) => cobsBytesMax(length))));
      return () => {
        let sum = 0;
        for (const bytes of payloads) sum += encodeCobs(bytes, 0, bytes.length, out, 0);
        return sum;
      };
    },
  },
  decode: {
    name: "fardel, buffer used again",
    once: decoded,
    lap: (payloads) => {
      const out = Buffer.alloc(Math.max(...payloads.map(({ length }) => length)));
      return () => {
        let sum = 0;
        for (const bytes of payloads) sum += decodeCobs(bytes, 0, bytes.length, out, 0);
        return sum;
      };
    },
  },
};

export const otherCobs: Codec = {
  encode: {
    name: "cobs",
    once: (bytes) => cobs.encode(bytes),
    lap: (payloads) => () => {
      let sum = 0;
      for (const bytes of payloads) sum += cobs.encode(bytes).length;
      return sum;
    },
  },
  decode: {
    name: "cobs",
    once: (bytes) => cobs.decode(bytes),
    lap: (payloads) => () => {
      let sum = 0;
      for (const bytes of payloads) sum += cobs.decode(bytes).length;
      return sum;
    },
  },
};

function encoded(bytes: Uint8Array): Uint8Array {
  const out = Buffer.allocUnsafe(cobsBytesMax(bytes.length));
  return out.subarray(0, encodeCobs(bytes, 0, bytes.length, out, 0));
}

/** What is not COBS gives nothing; the other package does not look. */
function decoded(bytes: Uint8Array): Uint8Array {
  const out = Buffer.allocUnsafe(bytes.length);
  return out.subarray(0, Math.max(0, decodeCobs(bytes, 0, bytes.length, out, 0)));
}
