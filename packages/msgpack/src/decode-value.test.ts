import { decode } from "@msgpack/msgpack";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeValue } from "./decode-value.js";
import { encodeValue } from "./encode-value.js";
import { DEPTH_MAX } from "./limits.js";
import { ValueError } from "./value-error.js";

const fromHex = (hex: string): Uint8Array => Uint8Array.from(Buffer.from(hex, "hex"));

function refusal(bytes: Uint8Array): ValueError {
  try {
    decodeValue(bytes);
  } catch (error) {
    if (error instanceof ValueError) return error;
    throw error;
  }
  throw new Error("nothing was refused");
}

/** JSON but for the one name that no field can have. */
const encodable = fc.jsonValue().filter((value) => !JSON.stringify(value).includes("__proto__"));

describe("decodeValue reads every format of the MessagePack specification", () => {
  // Specification, section "Formats": one value of each format (from memory; the differential test
  // below compares with the library's own decoder).
  it.each([
    ["c0", null],
    ["c2", false],
    ["c3", true],
    ["7f", 127],
    ["e0", -32],
    ["ccff", 255],
    ["cdffff", 65_535],
    ["ceffffffff", 4_294_967_295],
    ["cf0000000100000000", 4_294_967_296],
    ["d080", -128],
    ["d18000", -32_768],
    ["d280000000", -2_147_483_648],
    ["d3ffffffff00000000", -4_294_967_296],
    ["ca3fc00000", 1.5],
    ["cb3ff8000000000000", 1.5],
    ["a3626f67", "bog"],
    ["d903626f67", "bog"],
    ["da0003626f67", "bog"],
    ["db00000003626f67", "bog"],
    ["c4020102", Uint8Array.of(1, 2)],
    ["c500020102", Uint8Array.of(1, 2)],
    ["c6000000020102", Uint8Array.of(1, 2)],
    ["920102", [1, 2]],
    ["dc00020102", [1, 2]],
    ["dd000000020102", [1, 2]],
    ["81a16b01", { k: 1 }],
    ["de0001a16b01", { k: 1 }],
    ["df00000001a16b01", { k: 1 }],
    // Section "Timestamp extension type": 32, 64 and 96 bits.
    ["d6ff00000001", new Date(1000)],
    ["d7ff773594000000 0001".replace(" ", ""), new Date(1500)],
    ["c70cff00000000ffffffffffffffff", new Date(-1000)],
  ])("%s", (hex, value) => {
    expect(decodeValue(fromHex(hex))).toEqual(value);
  });

  it("leaves an extension that it does not know as type and bytes", () => {
    expect(decodeValue(fromHex("d4057b"))).toMatchObject({ type: 5, data: Uint8Array.of(0x7b) });
  });
});

describe("decodeValue and integers of 64 bits", () => {
  it.each([
    ["cf001fffffffffffff", Number.MAX_SAFE_INTEGER],
    ["cf0020000000000000", 2n ** 53n],
    ["cf0020000000000001", 2n ** 53n + 1n],
    ["cfffffffffffffffff", 2n ** 64n - 1n],
    ["d3ffe0000000000001", Number.MIN_SAFE_INTEGER],
    ["d38000000000000000", -(2n ** 63n)],
    ["91cf0000000000000005", [5]],
    ["81a16bcf0000000000000005", { k: 5 }],
  ])("%s", (hex, value) => {
    expect(decodeValue(fromHex(hex))).toEqual(value);
  });
});

describe("decodeValue refuses", () => {
  it.each([
    ["nothing", "", "end after 0"],
    ["the byte that is never used", "c1", "C1"],
    ["a cut header", "cd", "within the value at byte 0"],
    ["a cut length", "da00", "within the header at byte 0"],
    ["a cut string", "a3626f", "within the value at byte 0"],
    ["an array without its last element", "920a", "end after 2"],
    ["a map without its last value", "81a16b", "end after 3"],
    ["a second value", "0102", "1 bytes follow"],
    ["a key that is an array", "819001", "string or number"],
    ["the key __proto__", "81a95f5f70726f746f5f5f01", "__proto__"],
    ["a timestamp of 3 bytes", "c703ff000000", "timestamp"],
    ["a timestamp beyond a Date", "c70cff000000007fffffffffffffff", "Date's range"],
  ])("%s", (_what, hex, why) => {
    const error = refusal(fromHex(hex));
    expect(error.code).toBe("not-msgpack");
    expect(error.message).toContain(why);
  });

  it.each([
    ["array", "ddffffffff"],
    ["map", "dfffffffff"],
    ["string", "dbffffffff"],
    ["byte string", "c6ffffffff"],
    ["extension", "c9ffffffff05"],
    ["arrays within arrays", "dd00ffffff".repeat(50)],
  ])("an announced %s of billions before making room for it", (_what, hex) => {
    expect(refusal(fromHex(hex)).message).toContain("the bytes end");
  });

  it("what nests one level too deep, and nothing less deep", () => {
    const nested = (levels: number) => fromHex(`${"91".repeat(levels - 1)}07`);
    expect(() => decodeValue(nested(DEPTH_MAX))).not.toThrow();
    expect(refusal(nested(DEPTH_MAX + 1)).message).toContain("deeper");
  });
});

describe("decodeValue, whatever arrives", () => {
  // Mostly heads of containers and lengths, since uniform bytes seldom get past the first value.
  const hostileBytes = fc.oneof(
    fc.uint8Array({ maxLength: 64 }),
    fc
      .array(
        fc.oneof(
          fc.integer({ min: 0x80, max: 0x93 }),
          fc.integer({ min: 0xc0, max: 0xdf }),
          fc.constantFrom(0, 1, 2, 3),
        ),
        { maxLength: 40 },
      )
      .map((bytes) => Uint8Array.from(bytes)),
  );

  it("gives a value or the typed error, as the library's decoder does without our scan", () => {
    fc.assert(
      fc.property(hostileBytes, (bytes) => {
        const lengthMax = bytes.length;
        let expected: boolean;
        try {
          const value = decode(bytes, {
            useBigInt64: true,
            maxArrayLength: lengthMax,
            maxMapLength: lengthMax,
          });
          expected = !hasInvalidDate(value);
        } catch {
          expected = false;
        }
        let actual = true;
        try {
          decodeValue(bytes);
        } catch (error) {
          expect(error).toBeInstanceOf(ValueError);
          actual = false;
        }
        expect(actual).toBe(expected);
      }),
      { numRuns: 5000 },
    );
  });

  it("refuses every encoded value that is cut short or followed by a byte", () => {
    fc.assert(
      fc.property(encodable, fc.nat(), fc.nat(255), (value, cut, extra) => {
        const bytes = encodeValue(value);
        refusal(bytes.subarray(0, cut % bytes.length));
        refusal(Uint8Array.of(...bytes, extra));
      }),
    );
  });
});

function hasInvalidDate(value: unknown): boolean {
  if (value instanceof Date) return Number.isNaN(value.getTime());
  if (typeof value !== "object" || value === null || ArrayBuffer.isView(value)) return false;
  return Object.values(value).some(hasInvalidDate);
}
