import { createRequire } from "node:module";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { cobsBytesMax, decodeCobs, encodeCobs } from "./cobs.js";

/** Another implementation, from the registry: it comes without types. */
const other = createRequire(import.meta.url)("cobs") as {
  encode(bytes: Buffer): Buffer;
  decode(bytes: Buffer): Buffer;
};

function stuffed(bytes: Uint8Array): Uint8Array {
  const out = new Uint8Array(cobsBytesMax(bytes.length));
  return out.slice(0, encodeCobs(bytes, 0, bytes.length, out, 0));
}

function unstuffed(bytes: Uint8Array): Uint8Array | undefined {
  const out = new Uint8Array(bytes.length);
  const end = decodeCobs(bytes, 0, bytes.length, out, 0);
  return end < 0 ? undefined : out.slice(0, end);
}

function bytesOf(hex: string): Uint8Array {
  return Uint8Array.from(Buffer.from(hex.replaceAll(" ", ""), "hex"));
}

/** `first` .. `last`, one by one. */
function run(first: number, last: number): number[] {
  return Array.from({ length: last - first + 1 }, (_, index) => first + index);
}

/** Runs of zeros, of other bytes, and lengths about 254: what random bytes seldom have. */
const runs = fc
  .array(
    fc.oneof(
      fc.uint8Array({ maxLength: 20 }),
      fc.integer({ min: 1, max: 5 }).map((count) => new Uint8Array(count)),
      fc
        .record({
          byte: fc.integer({ min: 1, max: 255 }),
          count: fc.integer({ min: 250, max: 258 }),
        })
        .map(({ byte, count }) => new Uint8Array(count).fill(byte)),
    ),
    { maxLength: 6 },
  )
  .map((parts) => Uint8Array.from(parts.flatMap((part) => [...part])));

describe("COBS", () => {
  it.each([
    // The paper's example, an IP header; from memory, held by the other implementation below.
    ["45 00 00 2c 4c 79 00 00 40 06 4f 37", "02 45 01 04 2c 4c 79 01 05 40 06 4f 37"],
    // Nothing, one zero, two.
    ["", "01"],
    ["00", "01 01"],
    ["00 00", "01 01 01"],
    ["11", "02 11"],
    ["11 00", "02 11 01"],
    ["00 11", "01 02 11"],
  ])("makes %j of %j as published", (plain, expected) => {
    expect(stuffed(bytesOf(plain))).toEqual(bytesOf(expected));
    expect(unstuffed(bytesOf(expected))).toEqual(bytesOf(plain));
    expect(Uint8Array.from(other.decode(Buffer.from(bytesOf(expected))))).toEqual(bytesOf(plain));
  });

  it.each([
    ["253 without a zero", run(1, 253), [0xfe, ...run(1, 253)]],
    ["254 without a zero", run(1, 254), [0xff, ...run(1, 254)]],
    ["255 without a zero", run(1, 255), [0xff, ...run(1, 254), 2, 0xff]],
    ["254, then a zero", [...run(1, 254), 0], [0xff, ...run(1, 254), 1, 1]],
    ["253, then a zero", [...run(1, 253), 0], [0xfe, ...run(1, 253), 1]],
    ["254 and a zero, from 2", [...run(2, 255), 0], [0xff, ...run(2, 255), 1, 1]],
    ["253, a zero, a one", [...run(3, 255), 0, 1], [0xfe, ...run(3, 255), 2, 1]],
    ["a zero, then 254", [0, ...run(1, 254)], [1, 0xff, ...run(1, 254)]],
    ["508 without a zero", [...run(1, 254), ...run(1, 254)], twice([0xff, ...run(1, 254)])],
  ])("has %s right", (_, plain, expected) => {
    expect([...stuffed(Uint8Array.from(plain))]).toEqual(expected);
    expect([...(unstuffed(Uint8Array.from(expected)) ?? [])]).toEqual(plain);
  });

  function twice(bytes: number[]): number[] {
    return [...bytes, ...bytes];
  }

  it("takes both forms of 254 bytes: with an empty group at the end and without", () => {
    const plain = Uint8Array.from(run(1, 254));
    expect(unstuffed(Uint8Array.of(0xff, ...plain))).toEqual(plain);
    expect(unstuffed(Uint8Array.of(0xff, ...plain, 1))).toEqual(plain);
  });

  it("undoes itself, has no zero, and costs at most one byte in 254", () => {
    fc.assert(
      fc.property(fc.oneof(fc.uint8Array({ maxLength: 1600 }), runs), (bytes) => {
        const line = stuffed(bytes);
        expect(line.includes(0)).toBe(false);
        expect(line.length).toBeGreaterThan(bytes.length);
        expect(line.length - bytes.length).toBeLessThanOrEqual(
          Math.max(1, Math.ceil(bytes.length / 254)),
        );
        expect(line.length).toBeLessThanOrEqual(cobsBytesMax(bytes.length));
        expect(unstuffed(line)).toEqual(bytes);
      }),
    );
  });

  it("agrees with another implementation, both ways", () => {
    fc.assert(
      fc.property(runs, (bytes) => {
        const theirs = Uint8Array.from(other.encode(Buffer.from(bytes)));
        const ours = stuffed(bytes);
        expect(unstuffed(theirs)).toEqual(bytes);
        expect(Uint8Array.from(other.decode(Buffer.from(ours)))).toEqual(bytes);
        // They differ in the empty group behind a full one at the end, and in nothing else.
        if (theirs.length === ours.length + 1) expect(theirs).toEqual(Uint8Array.of(...ours, 1));
        else expect(theirs).toEqual(ours);
      }),
    );
  });

  it("works at any offset and touches nothing else", () => {
    fc.assert(
      fc.property(runs, fc.nat(5), fc.nat(5), (bytes, before, at) => {
        const line = stuffed(bytes);
        const padded = Uint8Array.from([...Array(before).fill(7), ...bytes, 7]);
        const out = new Uint8Array(at + line.length + 3).fill(9);
        expect(encodeCobs(padded, before, before + bytes.length, out, at)).toBe(at + line.length);
        expect([...out]).toEqual([...Array(at).fill(9), ...line, 9, 9, 9]);
        const back = new Uint8Array(bytes.length + 2).fill(9);
        expect(decodeCobs(out, at, at + line.length, back, 1)).toBe(1 + bytes.length);
        expect([...back]).toEqual([9, ...bytes, 9]);
      }),
    );
  });

  it.each([
    ["nothing", ""],
    ["a code byte of zero", "00"],
    ["a zero in a group", "03 11 00"],
    ["a zero as the second code", "02 11 00"],
    ["a group that is cut off", "03 11"],
    ["a full group that is cut off", `ff ${"11 ".repeat(253)}`],
  ])("refuses %s", (_, hex) => {
    expect(unstuffed(bytesOf(hex))).toBeUndefined();
  });

  it("takes any bytes, and never writes more than it has read", () => {
    const bytes = fc.oneof(fc.uint8Array({ maxLength: 600 }), runs);
    fc.assert(
      fc.property(bytes, (line) => {
        const plain = unstuffed(line);
        if (line.includes(0)) expect(plain).toBeUndefined();
        if (plain) expect(plain.length).toBeLessThan(line.length);
      }),
    );
  });
});
