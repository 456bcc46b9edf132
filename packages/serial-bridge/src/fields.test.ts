import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  joinBytes,
  readText,
  readU16,
  readU32,
  textBytes,
  u8,
  u16Bytes,
  u32Bytes,
  within,
} from "./fields.js";

describe("numbers", () => {
  it("go most significant byte first", () => {
    expect(u16Bytes("it", 0x1234)).toEqual([0x12, 0x34]);
    expect(u32Bytes("it", 0xa1b2c3d4)).toEqual([0xa1, 0xb2, 0xc3, 0xd4]);
    expect(readU16(Uint8Array.of(9, 0x12, 0x34), 1)).toBe(0x1234);
    expect(readU32(Uint8Array.of(9, 0xa1, 0xb2, 0xc3, 0xd4), 1)).toBe(0xa1b2c3d4);
  });

  it("come back as they were", () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 2 ** 32 - 1 }), (value) => {
        expect(readU32(Uint8Array.from(u32Bytes("it", value)), 0)).toBe(value);
        const low = value % 65_536;
        expect(readU16(Uint8Array.from(u16Bytes("it", low)), 0)).toBe(low);
      }),
    );
  });

  it.each([-1, 256, 1.5, Number.NaN, Number.POSITIVE_INFINITY])("%d is no u8", (value) => {
    expect(() => u8("token", value)).toThrow(
      new RangeError(`token is ${value}: it must be a whole number from 0 to 255.`),
    );
  });

  it("beyond their range are refused", () => {
    expect(() => u16Bytes("it", 65_536)).toThrow(RangeError);
    expect(() => u32Bytes("it", 2 ** 32)).toThrow(RangeError);
    expect(() => u32Bytes("it", 0, 1)).toThrow(RangeError);
    expect(() => within("it", 4, 1, 3)).toThrow(RangeError);
    expect([within("it", 1, 1, 3), within("it", 3, 1, 3)]).toEqual([1, 3]);
  });

  it("are joined in their order", () => {
    expect(joinBytes([1], Uint8Array.of(2, 3), [], [4])).toEqual(Uint8Array.of(1, 2, 3, 4));
  });
});

describe("texts", () => {
  it("are shortened between characters", () => {
    // Each of these pears has four bytes in UTF-8, each degree sign two.
    expect(readText(textBytes("🍐🍐🍐", 11), 11)).toBe("🍐🍐");
    expect(textBytes("🍐", 3)).toHaveLength(0);
    expect(readText(textBytes("-2°", 3), 3)).toBe("-2");
    expect(readText(textBytes("-2°", 4), 4)).toBe("-2°");
  });

  it("come back as they were if they are short enough, a byte order mark included", () => {
    const text = fc.string({ unit: "grapheme", maxLength: 20 });
    fc.assert(
      fc.property(text, fc.boolean(), (plain, hasMark) => {
        const marked = hasMark ? `\ufeff${plain}` : plain;
        expect(readText(textBytes(marked, 1000), 1000)).toBe(marked);
      }),
    );
  });

  it("that are shortened are a beginning of what they were", () => {
    fc.assert(
      fc.property(fc.string({ unit: "binary", maxLength: 30 }), fc.nat(60), (text, bytesMax) => {
        const bytes = textBytes(text, bytesMax);
        expect(bytes.length).toBeLessThanOrEqual(bytesMax);
        const beginning = readText(bytes, bytesMax);
        expect(text.startsWith(beginning)).toBe(true);
        // The other side may be the one that shortens.
        expect(readText(textBytes(text, 1000), bytesMax)).toBe(beginning);
        if (bytes.length + 4 <= bytesMax) expect(beginning).toBe(text);
      }),
    );
  });

  it("need be no UTF-8 at all", () => {
    expect(readText(new Uint8Array(300).fill(0x80), 200)).toBe("\ufffd".repeat(200));
    expect(readText(Uint8Array.of(0x61, 0xff), 200)).toBe("a\ufffd");
  });
});
