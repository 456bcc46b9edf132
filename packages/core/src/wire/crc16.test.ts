import { crc16kermit } from "crc";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { CRC16_GOOD, CRC16_START, updateCrc16, updateCrc16U32 } from "./crc16.js";

const register = fc.integer({ min: 0, max: 0xffff });
const u32 = fc.integer({ min: 0, max: 0xffffffff });

function finish(raw: number): number {
  return ~raw & 0xffff;
}

describe("CRC-16/IBM-SDLC", () => {
  it("gives the published check value (ITU-T X.25; CRC catalogue)", () => {
    const bytes = new TextEncoder().encode("123456789");
    expect(finish(updateCrc16(CRC16_START, bytes, 0, 9))).toBe(0x906e);
  });

  it("leaves F0B8 behind its own CRC, least significant byte first (RFC 1662, C.2)", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (bytes) => {
        const crc = finish(updateCrc16(CRC16_START, bytes, 0, bytes.length));
        const framed = Uint8Array.from([...bytes, crc & 0xff, crc >> 8]);
        expect(updateCrc16(CRC16_START, framed, 0, framed.length)).toBe(CRC16_GOOD);
      }),
    );
  });

  it("agrees with another implementation, from any register, at any offset", () => {
    // CRC-16/KERMIT is the same register without the start value and the inversion.
    fc.assert(
      fc.property(
        register,
        fc.uint8Array({ maxLength: 300 }),
        fc.nat(20),
        fc.nat(20),
        (start, bytes, skip, cut) => {
          const from = Math.min(skip, bytes.length);
          const to = Math.max(from, bytes.length - cut);
          expect(updateCrc16(start, bytes, from, to)).toBe(
            crc16kermit(Buffer.from(bytes.slice(from, to)), start),
          );
        },
      ),
    );
  });

  it("may be computed in pieces", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 64 }), fc.nat(64), (bytes, split) => {
        const middle = Math.min(split, bytes.length);
        const first = updateCrc16(CRC16_START, bytes, 0, middle);
        expect(updateCrc16(first, bytes, middle, bytes.length)).toBe(
          updateCrc16(CRC16_START, bytes, 0, bytes.length),
        );
      }),
    );
  });

  it("takes a u32 as its four bytes, most significant first", () => {
    fc.assert(
      fc.property(register, u32, (start, value) => {
        const bytes = new Uint8Array(4);
        new DataView(bytes.buffer).setUint32(0, value);
        expect(updateCrc16U32(start, value)).toBe(updateCrc16(start, bytes, 0, 4));
      }),
    );
    expect(updateCrc16U32(CRC16_START, 0xffffffff)).toBe(
      updateCrc16(CRC16_START, new Uint8Array(4).fill(0xff), 0, 4),
    );
  });
});

describe("what the CRC-16 finds", () => {
  /**
   * What one wrong bit does to the register, `bitsAfter` bits before the end. The CRC is linear: a
   * damage goes unnoticed if and only if these effects of its bits cancel out.
   */
  function bitEffects(bits: number): Uint16Array {
    const effects = new Uint16Array(bits);
    for (let bitsAfter = 0; bitsAfter < bits; bitsAfter++) {
      const bytes = new Uint8Array((bitsAfter >> 3) + 1);
      // The register takes the least significant bit of a byte first.
      bytes[0] = 0x80 >> (bitsAfter & 7);
      effects[bitsAfter] = updateCrc16(0, bytes, 0, bytes.length);
    }
    return effects;
  }

  it("finds all damage of 1, 2 or 3 bits in a full datagram of 250 bytes", () => {
    const effects = bitEffects(2000);
    const single = new Set(effects);
    expect(single.size).toBe(2000);
    expect(single.has(0)).toBe(false);
    let unnoticed = 0;
    for (let a = 0; a < effects.length; a++) {
      for (let b = a + 1; b < effects.length; b++) {
        if (single.has(effects[a]! ^ effects[b]!)) unnoticed++;
      }
    }
    expect(unnoticed).toBe(0);
  });

  // Hamming distance 4 up to 32,751 bits and the CRC: two bits are first confused 32,767 apart, and
  // an odd number of bits never cancels, because x + 1 divides the polynomial.
  it("finds two wrong bits in up to 32,751 bits and the CRC, and not in one bit more", () => {
    const effects = bitEffects(32_768);
    expect(new Set(effects.subarray(0, 32_767)).size).toBe(32_767);
    expect(effects[32_767]).toBe(effects[0]);
  });

  it("finds every odd number of wrong bits", () => {
    // Each bit changes an odd number of register bits, so an odd number of them changes something.
    for (const effect of bitEffects(4000)) {
      let ones = 0;
      for (let rest = effect; rest > 0; rest >>= 1) ones += rest & 1;
      expect(ones % 2).toBe(1);
    }
  });
});
