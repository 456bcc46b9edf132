import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter } from "./byte-writer.js";
import type { Decoded } from "./decoded.js";
import {
  ASK,
  type Ask,
  CRC_BYTES,
  decodeHead,
  encodeLongHead,
  encodeShortHead,
  type Head,
  LONG_HEAD_BYTES,
  patchAsk,
  SHORT_HEAD_BYTES,
} from "./head.js";

const u32 = fc.integer({ min: 0, max: 0xffffffff });
const ask = fc.constantFrom<Ask>(0, 1, 2, 3);

function faultOf(decoded: Decoded<Head>): string {
  return decoded.ok ? "none" : decoded.fault;
}

/** A datagram of `size` bytes that starts with `first`. */
function startingWith(first: number, size = 30): Uint8Array {
  const datagram = new Uint8Array(size);
  datagram[0] = first;
  return datagram;
}

describe("head", () => {
  it("writes the short form of section 2.1", () => {
    const out = new ByteWriter(new Uint8Array(3));
    encodeShortHead(out, ASK.next, 0xa1b2c3d4);
    expect([...out.bytes]).toEqual([0x42, 0xc3, 0xd4]);
    expect(out.at).toBe(SHORT_HEAD_BYTES);
  });

  it("writes the long form of section 2.2", () => {
    const out = new ByteWriter(new Uint8Array(13));
    encodeLongHead(out, ASK.now, 0xa1b2c3d4, 0x01020304, 0xf0000001);
    expect([...out.bytes]).toEqual([
      0x51, 0xa1, 0xb2, 0xc3, 0xd4, 0x01, 0x02, 0x03, 0x04, 0xf0, 0x00, 0x00, 0x01,
    ]);
    expect(out.at).toBe(LONG_HEAD_BYTES);
  });

  it("reads the short form that it wrote", () => {
    fc.assert(
      fc.property(ask, u32, (asked, number) => {
        const out = new ByteWriter(new Uint8Array(5));
        encodeShortHead(out, asked, number);
        expect(decodeHead(out.bytes)).toEqual({
          ok: true,
          value: { form: "short", ask: asked, numberLow: number % 65_536, headBytes: 3 },
        });
      }),
    );
  });

  it("reads the long form that it wrote", () => {
    fc.assert(
      fc.property(ask, u32, u32, u32, (asked, tokenFrom, tokenTo, number) => {
        const out = new ByteWriter(new Uint8Array(15));
        encodeLongHead(out, asked, tokenFrom, tokenTo, number);
        expect(decodeHead(out.bytes)).toEqual({
          ok: true,
          value: { form: "long", ask: asked, tokenFrom, tokenTo, number, headBytes: 13 },
        });
      }),
    );
  });

  it("judges every first byte as section 2 says", () => {
    for (let first = 0; first < 256; first++) {
      let fault = "none";
      if (first & 0x04) fault = "reserved-bit";
      if (first & 0x08) fault = "protected";
      if (first & 0x20) fault = "unknown-form";
      if (first >> 6 !== 1) fault = "other-version";
      expect(faultOf(decodeHead(startingWith(first)))).toBe(fault);
    }
  });

  it("needs room for the head and the CRC", () => {
    expect(faultOf(decodeHead(new Uint8Array(0)))).toBe("too-short");
    for (let size = 1; size < 20; size++) {
      const short = size < SHORT_HEAD_BYTES + CRC_BYTES ? "too-short" : "none";
      const long = size < LONG_HEAD_BYTES + CRC_BYTES ? "too-short" : "none";
      expect(faultOf(decodeHead(startingWith(0x40, size)))).toBe(short);
      expect(faultOf(decodeHead(startingWith(0x50, size)))).toBe(long);
    }
    // Another version may know shorter datagrams.
    expect(faultOf(decodeHead(startingWith(0x80, 1)))).toBe("other-version");
  });

  it("changes the ask bits and nothing else", () => {
    fc.assert(
      fc.property(ask, ask, u32, (before, after, number) => {
        const out = new ByteWriter(new Uint8Array(5));
        encodeShortHead(out, before, number);
        patchAsk(out.bytes, after);
        const expected = new ByteWriter(new Uint8Array(5));
        encodeShortHead(expected, after, number);
        expect(out.bytes).toEqual(expected.bytes);
      }),
    );
  });
});
