import { crc16kermit } from "crc";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter } from "./byte-writer.js";
import { crcMatches, sealDatagram } from "./datagram.js";
import { CRC_BYTES, decodeHead, encodeLongHead, encodeShortHead } from "./head.js";

const TO = 0x0f1e2d3c;
const FROM = 0xa1b2c3d4;
const NUMBER = 0x0000a1b2;
const u32 = fc.integer({ min: 0, max: 0xffffffff });

function sealed(frames: Uint8Array, to = TO, from = FROM, number = NUMBER): Uint8Array {
  const out = new ByteWriter(new Uint8Array(3 + frames.length + CRC_BYTES));
  encodeShortHead(out, 0, number);
  out.raw(frames);
  return sealDatagram(out, to, from, number);
}

/** A long datagram, which names its tokens and its number. */
function sealedLong(frames: Uint8Array): Uint8Array {
  const out = new ByteWriter(new Uint8Array(13 + frames.length + CRC_BYTES));
  encodeLongHead(out, 0, FROM, TO, NUMBER);
  out.raw(frames);
  return sealDatagram(out, TO, FROM, NUMBER);
}

/** As its receiver sees it: what the head says is taken from the datagram, damaged or not. */
function passes(datagram: Uint8Array): boolean {
  const head = decodeHead(datagram);
  if (!head.ok) return false;
  const { value } = head;
  if (value.form === "long")
    return crcMatches(datagram, value.tokenTo, value.tokenFrom, value.number);
  return crcMatches(datagram, TO, FROM, (NUMBER & 0xffff_0000) + value.numberLow);
}

/** Damage to the bits that say how a datagram is to be read makes another datagram of it. */
function saysHowToRead(bit: number): boolean {
  return bit === 4 || bit === 5;
}

/** Bit `bit` in the order in which the CRC takes them: least significant bit of each byte first. */
function flip(datagram: Uint8Array, bit: number): void {
  datagram[bit >> 3]! ^= 1 << (bit & 7);
}

describe("sealing", () => {
  it("computes what section 2.4 says, by another implementation", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 240 }), u32, u32, u32, (frames, to, from, number) => {
        const datagram = sealed(frames, to, from, number);
        const covered = new Uint8Array(12 + datagram.length - 2);
        const view = new DataView(covered.buffer);
        view.setUint32(0, to);
        view.setUint32(4, from);
        view.setUint16(8, number >>> 16);
        covered.set(datagram.subarray(0, -2), 12);
        const crc = ~crc16kermit(Buffer.from(covered), 0xffff) & 0xffff;
        expect([...datagram.subarray(-2)]).toEqual([crc & 0xff, crc >> 8]);
        expect(crcMatches(datagram, to, from, number)).toBe(true);
      }),
    );
  });

  it("puts the CRC behind the limit of the frames, but not behind the array", () => {
    const out = new ByteWriter(new Uint8Array(10));
    out.limit = 8;
    encodeShortHead(out, 0, NUMBER);
    out.raw(new Uint8Array(5));
    expect(out.room).toBe(0);
    const datagram = sealDatagram(out, TO, FROM, NUMBER);
    expect(datagram.length).toBe(10);
    expect(datagram.buffer).toBe(out.bytes.buffer);
    expect(out.at).toBe(10);
    expect(() => sealDatagram(out, TO, FROM, NUMBER)).toThrow(RangeError);
  });

  it("lets a datagram fit one session and one number only", () => {
    const datagram = sealed(Uint8Array.of(0x20, 1, 2));
    expect(crcMatches(datagram, TO, FROM, NUMBER)).toBe(true);
    expect(crcMatches(datagram, FROM, TO, NUMBER)).toBe(false);
    expect(crcMatches(datagram, TO, FROM, NUMBER + 0x10000)).toBe(false);
    for (let bit = 0; bit < 32; bit++) {
      const mask = 1 << bit;
      expect(crcMatches(datagram, (TO ^ mask) >>> 0, FROM, NUMBER)).toBe(false);
      expect(crcMatches(datagram, TO, (FROM ^ mask) >>> 0, NUMBER)).toBe(false);
      // The lower half is in the datagram, and does not enter twice.
      expect(crcMatches(datagram, TO, FROM, (NUMBER ^ mask) >>> 0)).toBe(bit < 16);
    }
  });

  it("takes nothing that is too short to hold a CRC, whatever the tokens", () => {
    // Of 2^16 numbers with the same upper half, one would leave the good register by itself.
    let good = 0;
    for (let number = 0; number < 0x20000; number++) {
      if (crcMatches(new Uint8Array(0), 0, 0, number)) good++;
    }
    expect(good).toBe(0);
  });
});

describe("damage", () => {
  const DATAGRAM = sealed(Uint8Array.from({ length: 11 }, (_, i) => 0x80 + i * 29));
  const BITS = DATAGRAM.length * 8;

  const LONG = sealedLong(Uint8Array.from({ length: 5 }, (_, i) => 0x80 + i * 29));

  it.each([
    ["short", DATAGRAM],
    ["long", LONG],
  ])("of 1, 2 or 3 bits is always found, for every position in a %s datagram", (_, datagram) => {
    const damaged = datagram.slice();
    const bits = Array.from({ length: datagram.length * 8 }, (_unused, bit) => bit).filter(
      (bit) => !saysHowToRead(bit),
    );
    let unnoticed = 0;
    bits.forEach((a, at) => {
      flip(damaged, a);
      if (passes(damaged)) unnoticed++;
      bits.slice(at + 1).forEach((b, after) => {
        flip(damaged, b);
        if (passes(damaged)) unnoticed++;
        for (const c of bits.slice(at + after + 2)) {
          flip(damaged, c);
          if (passes(damaged)) unnoticed++;
          flip(damaged, c);
        }
        flip(damaged, b);
      });
      flip(damaged, a);
    });
    expect(unnoticed).toBe(0);
    expect(damaged).toEqual(datagram);
  });

  it("in a burst of up to 16 bits is always found, for every position and every pattern", () => {
    const damaged = DATAGRAM.slice();
    let unnoticed = 0;
    for (let start = 0; start < BITS; start++) {
      const byte = start >> 3;
      for (let rest = 0; rest < 0x8000; rest++) {
        const pattern = ((rest << 1) | 1) << (start & 7);
        // What sticks out behind the last byte is no damage of this datagram.
        damaged[byte]! ^= pattern;
        if (byte + 1 < damaged.length) damaged[byte + 1]! ^= pattern >> 8;
        if (byte + 2 < damaged.length) damaged[byte + 2]! ^= pattern >> 16;
        if (crcMatches(damaged, TO, FROM, NUMBER)) unnoticed++;
        damaged[byte]! ^= pattern;
        if (byte + 1 < damaged.length) damaged[byte + 1]! ^= pattern >> 8;
        if (byte + 2 < damaged.length) damaged[byte + 2]! ^= pattern >> 16;
      }
    }
    expect(unnoticed).toBe(0);
  });

  it("of other kinds passes about once in 65,536 times", () => {
    // Last two bytes replaced by every value: exactly one of them is right.
    const damaged = DATAGRAM.slice();
    damaged[3]! ^= 0xff;
    let passed = 0;
    for (let crc = 0; crc < 0x10000; crc++) {
      damaged[damaged.length - 2] = crc;
      damaged[damaged.length - 1] = crc >> 8;
      if (crcMatches(damaged, TO, FROM, NUMBER)) passed++;
    }
    expect(passed).toBe(1);
  });

  it("by cutting off or adding bytes is found", () => {
    for (let size = 0; size < DATAGRAM.length; size++) {
      expect(crcMatches(DATAGRAM.subarray(0, size), TO, FROM, NUMBER)).toBe(false);
    }
    for (let added = 0; added < 256; added++) {
      expect(crcMatches(Uint8Array.from([...DATAGRAM, added]), TO, FROM, NUMBER)).toBe(false);
    }
  });
});
