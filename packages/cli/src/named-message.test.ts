import { encodeValue } from "@fardel/msgpack";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  encodeHeader,
  HEADER_BYTES_MAX,
  NAME_BYTES_MAX,
  type NamedHeader,
  readHeader,
} from "./named-message.js";

const header: NamedHeader = {
  name: "fans.bin",
  bytes: 70_000,
  sha256: Uint8Array.from({ length: 32 }, (_, index) => index),
};

const headers: fc.Arbitrary<NamedHeader> = fc.record({
  name: fc
    .string({ unit: "grapheme", maxLength: 60 })
    .filter((name) => Buffer.byteLength(name) <= NAME_BYTES_MAX),
  bytes: fc.maxSafeNat(),
  sha256: fc.uint8Array({ minLength: 32, maxLength: 32 }),
});

/** C1, version, and a map as any MessagePack library might write it. */
function marked(map: Uint8Array, version = 1): Uint8Array {
  return Uint8Array.of(0xc1, version, ...map);
}

/** All that is needed, and `bytes` once more. */
function fieldTwice(): Uint8Array {
  const map = encodeValue(header);
  const again = encodeValue({ bytes: 1 }).subarray(1);
  return Uint8Array.of(0x84, ...map.subarray(1), ...again);
}

describe("the header of a named message", () => {
  it("has the bytes that FORMATS.md draws", () => {
    const bytes = Buffer.from(encodeHeader({ ...header, name: "f", bytes: 5 }));
    const digest = Buffer.from(header.sha256).toString("hex");
    const map = `83a46e616d65a166a5627974657305a6736861323536c420${digest}`;
    expect(bytes.toString("hex")).toBe(`c101${map}`);
  });

  it("comes back, with the content behind it", () => {
    fc.assert(
      fc.property(headers, fc.uint8Array(), (given, content) => {
        const bytes = encodeHeader(given);
        const result = readHeader(Uint8Array.of(...bytes, ...content), true);
        expect(result).toEqual({ found: "header", header: given, contentAt: bytes.length });
      }),
    );
  });

  it("is found as soon as its last byte is there, and not before", () => {
    const bytes = encodeHeader(header);
    for (let length = 0; length < bytes.length; length++) {
      const part = bytes.subarray(0, length);
      expect(readHeader(part, false)).toEqual({ found: "more" });
      expect(readHeader(part, true)).toEqual({ found: "none", isDamaged: length > 0 });
    }
    expect(readHeader(bytes, false).found).toBe("header");
  });

  it("may have its fields in any order, and others besides", () => {
    const { name, bytes, sha256 } = header;
    const map = encodeValue({ sha256, note: "row 7", bytes, name });
    expect(readHeader(marked(map), true)).toMatchObject({ found: "header", header });
  });

  it.each([
    ["plain bytes", Uint8Array.of(0x83, 0xa4), false],
    ["nothing", new Uint8Array(), false],
    ["another version", marked(encodeHeader(header).subarray(2), 2), true],
    ["a list in place of the map", marked(encodeValue(["fans.bin"])), true],
    ["no digest", marked(encodeValue({ name: "a", bytes: 1 })), true],
    ["a short digest", marked(encodeValue({ ...header, sha256: new Uint8Array(31) })), true],
    ["a name that is a number", marked(encodeValue({ ...header, name: 7 })), true],
    [
      "a name that is not UTF-8",
      marked(Uint8Array.of(0x81, 0xa4, 0x6e, 0x61, 0x6d, 0x65, 0xa1, 0xff)),
      true,
    ],
    ["a negative length", marked(encodeValue({ ...header, bytes: -1 })), true],
    ["a length beyond 2^53", marked(encodeValue({ ...header, bytes: 2n ** 60n })), true],
    ["a field twice", marked(fieldTwice()), true],
    ["a header without end", marked(new Uint8Array(HEADER_BYTES_MAX).fill(0xd9)), true],
  ])("is not found in %s", (_what, bytes, isDamaged) => {
    expect(readHeader(bytes, true)).toEqual({ found: "none", isDamaged });
  });

  it("is waited for up to its greatest length only", () => {
    const start = Uint8Array.of(0x81, 0xda, 0xff, 0xff);
    const waiting = marked(Uint8Array.of(...start, ...new Uint8Array(HEADER_BYTES_MAX - 7)));
    expect(readHeader(waiting, false)).toEqual({ found: "more" });
    expect(readHeader(Uint8Array.of(...waiting, 0), false)).toEqual({
      found: "none",
      isDamaged: true,
    });
  });

  it("never throws, whatever the bytes are, and never promises more at the end", () => {
    const hostile = fc.uint8Array({ maxLength: 80 }).map((bytes) => marked(bytes));
    fc.assert(
      fc.property(fc.oneof(fc.uint8Array(), hostile), (bytes) => {
        expect(readHeader(bytes, true).found).not.toBe("more");
        readHeader(bytes, false);
      }),
    );
  });
});
