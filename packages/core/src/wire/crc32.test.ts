import { crc32 as zlibCrc32 } from "node:zlib";
import crc32Package from "crc-32";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { updateCrc32 } from "./crc32.js";

describe("CRC-32/ISO-HDLC", () => {
  it("gives the published check value (CRC catalogue)", () => {
    expect(updateCrc32(0, new TextEncoder().encode("123456789"))).toBe(0xcbf43926);
  });

  it("is 0 for nothing", () => {
    expect(updateCrc32(0, new Uint8Array(0))).toBe(0);
  });

  it("agrees with two other implementations", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 600 }), (bytes) => {
        const crc = updateCrc32(0, bytes);
        expect(crc).toBe(zlibCrc32(bytes));
        expect(crc).toBe(crc32Package.buf(bytes) >>> 0);
      }),
    );
  });

  it("goes on where it stopped, at any offset", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 100 }), fc.nat(100), fc.nat(100), (bytes, a, b) => {
        const first = Math.min(a, bytes.length);
        const second = Math.max(first, Math.min(b, bytes.length));
        let crc = updateCrc32(0, bytes, 0, first);
        crc = updateCrc32(crc, bytes, first, second);
        crc = updateCrc32(crc, bytes, second);
        expect(crc).toBe(zlibCrc32(bytes));
        expect(updateCrc32(0, bytes, first, second)).toBe(zlibCrc32(bytes.slice(first, second)));
      }),
    );
  });
});
