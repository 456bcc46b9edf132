import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeValue } from "./decode-value.js";
import { encodeValue } from "./encode-value.js";
import { DEPTH_MAX } from "./limits.js";
import { ValueError } from "./value-error.js";

const toHex = (bytes: Uint8Array): string => Buffer.from(bytes).toString("hex");

function nested(levels: number): unknown {
  let value: unknown = 7;
  for (let level = 1; level < levels; level++) value = [value];
  return value;
}

describe("encodeValue writes the shortest format of the MessagePack specification", () => {
  // The first vector is the example on the format's own page; the rest are the boundaries in the
  // specification's section "Formats" (all from memory).
  it.each([
    [{ compact: true, schema: 0 }, "82a7636f6d70616374c3a6736368656d6100"],
    [null, "c0"],
    [127, "7f"],
    [128, "cc80"],
    [256, "cd0100"],
    [65_536, "ce00010000"],
    [-32, "e0"],
    [-33, "d0df"],
    [1.5, "cb3ff8000000000000"],
    [2n ** 64n - 1n, "cfffffffffffffffff"],
    [-(2n ** 63n), "d38000000000000000"],
    ["a".repeat(31), `bf${"61".repeat(31)}`],
    ["a".repeat(32), `d920${"61".repeat(32)}`],
    [Uint8Array.of(1, 2), "c4020102"],
    [new Array(15).fill(0), `9f${"00".repeat(15)}`],
    [new Array(16).fill(0), `dc0010${"00".repeat(16)}`],
    [new Date(1000), "d6ff00000001"],
  ])("%o", (value, hex) => {
    expect(toHex(encodeValue(value))).toBe(hex);
  });

  it("leaves out undefined fields and turns undefined elements into null", () => {
    expect(decodeValue(encodeValue({ kept: 1, gone: undefined }))).toEqual({ kept: 1 });
    expect(decodeValue(encodeValue([undefined, 1]))).toEqual([null, 1]);
  });
});

describe("encodeValue and decodeValue together", () => {
  const key = fc.string({ unit: "binary" }).filter((name) => name !== "__proto__");
  const { value: anyValue } = fc.letrec<{ value: unknown; leaf: unknown }>((tie) => ({
    leaf: fc.oneof(
      fc.constant(null),
      fc.boolean(),
      fc.integer(),
      fc.maxSafeInteger(),
      fc.double({ noNaN: false }).map((number) => (Object.is(number, -0) ? 0 : number)),
      fc
        .bigInt({ min: -(2n ** 63n), max: 2n ** 64n - 1n })
        .filter((number) => !Number.isSafeInteger(Number(number))),
      fc.string({ unit: "binary" }),
      fc.uint8Array(),
      fc.date({ noInvalidDate: true }),
    ),
    value: fc.oneof(
      { depthSize: "small", withCrossShrink: true },
      tie("leaf"),
      fc.array(tie("value"), { maxLength: 20 }),
      fc.dictionary(key, tie("value"), { maxKeys: 20, noNullPrototype: true }),
    ),
  }));

  it("give back every value as it was", () => {
    fc.assert(
      fc.property(anyValue, (value) => {
        expect(decodeValue(encodeValue(value))).toEqual(value);
      }),
      { numRuns: 1000 },
    );
  });

  it("agree on how deep is too deep", () => {
    expect(decodeValue(encodeValue(nested(DEPTH_MAX)))).toEqual(nested(DEPTH_MAX));
    expect(() => encodeValue(nested(DEPTH_MAX + 1))).toThrow(ValueError);
  });
});

describe("encodeValue refuses what would arrive changed", () => {
  const cycle: unknown[] = [];
  cycle.push(cycle, cycle);

  it.each<[string, unknown, string]>([
    ["a function", () => 1, "is a function"],
    ["a symbol", Symbol("s"), "is a symbol"],
    ["a map", new Map([["k", 1]]), "is a Map"],
    ["an array of wider numbers", Float32Array.of(1), "is a Float32Array"],
    ["an integer beyond 64 bits", 2n ** 64n, "64 bits"],
    ["an integer below 64 bits", -(2n ** 63n) - 1n, "64 bits"],
    ["an invalid date", new Date(Number.NaN), "invalid date"],
    ["half a character", "\ud800", "well-formed"],
    ["half a character in a key", { "\ud800": 1 }, "well-formed"],
    ["a field called __proto__", JSON.parse('{"__proto__":1}'), "field's name"],
    ["a cycle", cycle, "holds itself"],
  ])("%s", (_what, value, why) => {
    expect(() => encodeValue(value)).toThrow(
      expect.objectContaining({ code: "not-encodable", message: expect.stringContaining(why) }),
    );
  });

  it("and says where in the value", () => {
    const table = { rows: [{ offsetC: 0.5 }, { offsetC: () => 0 }] };
    expect(() => encodeValue(table)).toThrow(/at rows\.1\.offsetC is a function/);
  });
});
