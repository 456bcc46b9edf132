import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteReader, READ_PAST_END, READ_TOO_LARGE } from "./byte-reader.js";
import { ByteWriter } from "./byte-writer.js";
import { VARINT_MAX, varintBytes } from "./varint.js";

function written(size: number, write: (out: ByteWriter) => void): string {
  const out = new ByteWriter(new Uint8Array(size));
  write(out);
  return Buffer.from(out.bytes.subarray(0, out.at)).toString("hex");
}

function readerOf(hex: string): ByteReader {
  return new ByteReader(Uint8Array.from(Buffer.from(hex, "hex")));
}

describe("varint", () => {
  // RFC 9000, section A.1. Its 8-byte example c2197c5eff14e88c (151,288,809,941,952,652) needs more
  // than 53 bits.
  it.each([
    ["9d7f3e7d", 494_878_333],
    ["7bbd", 15_293],
    ["25", 37],
    ["4025", 37],
  ])("%s is %i (RFC 9000, section A.1)", (hex, value) => {
    const reader = readerOf(hex);
    expect(reader.varint()).toBe(value);
    expect(reader.left).toBe(0);
  });

  it("refuses what needs more than 53 bits, and stays where it was", () => {
    for (const hex of ["c2197c5eff14e88c", "c020000000000000", "ffffffffffffffff"]) {
      const reader = readerOf(hex);
      expect(reader.varint()).toBe(READ_TOO_LARGE);
      expect(reader.at).toBe(0);
    }
  });

  it.each([
    [0, "00"],
    [63, "3f"],
    [64, "4040"],
    [16_383, "7fff"],
    [16_384, "80004000"],
    [1_073_741_823, "bfffffff"],
    [1_073_741_824, "c000000040000000"],
    [4_294_967_295, "c0000000ffffffff"],
    [4_294_967_296, "c000000100000000"],
    [VARINT_MAX, "c01fffffffffffff"],
  ])("%i is written %s, the shortest form", (value, hex) => {
    expect(written(8, (out) => out.varint(value))).toBe(hex);
    expect(varintBytes(value)).toBe(hex.length / 2);
    expect(readerOf(hex).varint()).toBe(value);
  });

  it("reads what it wrote", () => {
    fc.assert(
      fc.property(fc.maxSafeNat(), fc.nat(52), (large, shift) => {
        const value = Math.floor(large / 2 ** shift);
        const hex = written(8, (out) => out.varint(value));
        expect(hex.length / 2).toBe(varintBytes(value));
        expect(readerOf(hex).varint()).toBe(value);
      }),
    );
  });

  it("refuses to write anything but an unsigned integer of 53 bits", () => {
    for (const value of [-1, 0.5, 2 ** 53, Number.NaN, Number.POSITIVE_INFINITY]) {
      expect(() => varintBytes(value)).toThrow(RangeError);
    }
  });

  it("cut short is past the end, for every length", () => {
    for (const hex of ["4040", "80004000", "c000000040000000"]) {
      for (let size = 0; size < hex.length; size += 2) {
        const reader = readerOf(hex.slice(0, size));
        expect(reader.varint()).toBe(READ_PAST_END);
        expect(reader.at).toBe(0);
      }
    }
  });
});

describe("ByteWriter", () => {
  it("writes most significant byte first", () => {
    const hex = written(20, (out) => {
      out.u8(0xab);
      out.u16(0x1234);
      out.u32(0xfedcba98);
      out.raw(Uint8Array.of(1, 2, 3, 4, 5), 1, 4);
    });
    expect(hex).toBe("ab1234fedcba98020304");
  });

  it("copies short and long bytes alike", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 100 }), fc.nat(100), fc.nat(100), (bytes, a, b) => {
        const from = Math.min(a, b, bytes.length);
        const to = Math.min(Math.max(a, b), bytes.length);
        const out = new ByteWriter(new Uint8Array(110), 7);
        out.raw(bytes, from, to);
        expect(out.at).toBe(7 + to - from);
        expect(out.bytes.subarray(7, out.at)).toEqual(bytes.subarray(from, to));
      }),
    );
  });

  it("refuses values out of range and writes nothing of them", () => {
    const out = new ByteWriter(new Uint8Array(16));
    for (const value of [-1, 256, 1.5, Number.NaN]) expect(() => out.u8(value)).toThrow(RangeError);
    for (const value of [-1, 65_536, 1.5]) expect(() => out.u16(value)).toThrow(RangeError);
    for (const value of [-1, 2 ** 32, 1.5]) expect(() => out.u32(value)).toThrow(RangeError);
    expect(() => out.varint(-1)).toThrow(RangeError);
    expect(() => out.raw(new Uint8Array(3), 2, 1)).toThrow(RangeError);
    expect(() => out.raw(new Uint8Array(3), 0, 4)).toThrow(RangeError);
    expect(() => out.raw(new Uint8Array(3), -1, 2)).toThrow(RangeError);
    expect(out.at).toBe(0);
    expect(out.bytes).toEqual(new Uint8Array(16));
  });

  it("stops at the limit, and writes nothing of what does not fit", () => {
    const bytes = new Uint8Array(60).fill(0xee);
    const out = new ByteWriter(bytes, 2);
    out.limit = 5;
    expect(out.room).toBe(3);
    expect(() => out.u32(1)).toThrow(RangeError);
    expect(() => out.varint(20_000)).toThrow(RangeError);
    expect(() => out.raw(new Uint8Array(4))).toThrow(RangeError);
    expect(() => out.raw(new Uint8Array(40))).toThrow(RangeError);
    out.u16(0x0102);
    expect(() => out.u16(1)).toThrow(RangeError);
    out.u8(3);
    expect(() => out.u8(1)).toThrow(RangeError);
    expect(out.room).toBe(0);
    expect([...bytes.subarray(0, 6)]).toEqual([0xee, 0xee, 1, 2, 3, 0xee]);
  });

  it("takes no limit outside its array, and forgets it on reset", () => {
    const out = new ByteWriter(new Uint8Array(10));
    for (const limit of [-1, 11, Number.NaN]) {
      expect(() => {
        out.limit = limit;
      }).toThrow(RangeError);
    }
    out.limit = 3;
    out.reset(new Uint8Array(20), 4);
    expect([out.at, out.limit, out.room]).toEqual([4, 20, 16]);
  });
});

describe("ByteReader", () => {
  it("reads most significant byte first", () => {
    const reader = readerOf("ab1234fedcba98020304");
    expect(reader.u8()).toBe(0xab);
    expect(reader.u16()).toBe(0x1234);
    expect(reader.u32()).toBe(0xfedcba98);
    expect([...reader.view(2)]).toEqual([2, 3]);
    expect(reader.left).toBe(1);
  });

  it("gives a value instead of an exception past the end, and stays where it was", () => {
    for (let size = 0; size < 4; size++) {
      const reader = new ByteReader(new Uint8Array(10), 3, 3 + size);
      expect(reader.u32()).toBe(READ_PAST_END);
      if (size < 2) expect(reader.u16()).toBe(READ_PAST_END);
      if (size < 1) expect(reader.u8()).toBe(READ_PAST_END);
      expect(reader.view(size + 1).length).toBe(0);
      expect(reader.view(-1).length).toBe(0);
      expect(reader.at).toBe(3);
    }
  });

  it("does not take an end beyond the array", () => {
    const reader = new ByteReader(new Uint8Array(2), 0, 9);
    expect(reader.left).toBe(2);
  });
});
