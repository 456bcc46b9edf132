import { createRequire } from "node:module";
import { SlipDecoder, SlipEncoder } from "@serialport/parser-slip-encoder";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeSlip, encodeSlip, SLIP_END, slipBytesMax } from "./slip.js";

/** Another implementation, from the registry: it comes without types. */
const other = createRequire(import.meta.url)("slip") as {
  encode(bytes: Uint8Array): Uint8Array;
  Decoder: new (options: {
    onMessage: (bytes: Uint8Array) => void;
  }) => { decode(bytes: Uint8Array): void };
};

function escaped(bytes: Uint8Array): Uint8Array {
  const out = new Uint8Array(slipBytesMax(bytes.length));
  return out.slice(0, encodeSlip(bytes, 0, bytes.length, out, 0));
}

function unescaped(bytes: Uint8Array): Uint8Array | undefined {
  const out = new Uint8Array(bytes.length);
  const end = decodeSlip(bytes, 0, bytes.length, out, 0);
  return end < 0 ? undefined : out.slice(0, end);
}

function delimited(bytes: Uint8Array): Uint8Array {
  return Uint8Array.of(SLIP_END, ...escaped(bytes), SLIP_END);
}

/** Many of the bytes that matter. */
const special = fc.array(
  fc.oneof(fc.constantFrom(0xc0, 0xdb, 0xdc, 0xdd, 0x00), fc.integer({ min: 0, max: 255 })),
  { minLength: 1, maxLength: 300 },
);
const plainBytes = special.map((bytes) => Uint8Array.from(bytes));

describe("SLIP", () => {
  it.each([
    // RFC 1055: END is DB DC, ESC is DB DD, all else goes as it is.
    [[0xc0], [0xdb, 0xdc]],
    [[0xdb], [0xdb, 0xdd]],
    [
      [0xdc, 0xdd],
      [0xdc, 0xdd],
    ],
    [
      [0xdb, 0xdc],
      [0xdb, 0xdd, 0xdc],
    ],
    [
      [1, 0xc0, 2, 0xdb, 3],
      [1, 0xdb, 0xdc, 2, 0xdb, 0xdd, 3],
    ],
    [[], []],
  ])("escapes %j to %j as in RFC 1055", (plain, expected) => {
    expect([...escaped(Uint8Array.from(plain))]).toEqual(expected);
    expect([...(unescaped(Uint8Array.from(expected)) ?? [-1])]).toEqual(plain);
  });

  it("undoes itself, has no END, and costs one byte for each END and ESC", () => {
    fc.assert(
      fc.property(plainBytes, (bytes) => {
        const line = escaped(bytes);
        expect(line.includes(SLIP_END)).toBe(false);
        const costs = bytes.filter((byte) => byte === 0xc0 || byte === 0xdb).length;
        expect(line.length).toBe(bytes.length + costs);
        expect(line.length).toBeLessThanOrEqual(slipBytesMax(bytes.length));
        expect(unescaped(line)).toEqual(bytes);
      }),
    );
  });

  it("agrees with another implementation, both ways", () => {
    fc.assert(
      fc.property(plainBytes, (bytes) => {
        expect(delimited(bytes)).toEqual(Uint8Array.from(other.encode(bytes)));
        const got: number[][] = [];
        const decoder = new other.Decoder({ onMessage: (message) => got.push([...message]) });
        decoder.decode(delimited(bytes));
        expect(got).toEqual([[...bytes]]);
      }),
    );
  });

  it("agrees with a second one, both ways", () => {
    fc.assert(
      fc.property(plainBytes, (bytes) => {
        const encoder = new SlipEncoder();
        encoder.write(Buffer.from(bytes));
        const theirs: unknown = encoder.read();
        expect(Uint8Array.from(theirs as Buffer)).toEqual(
          Uint8Array.of(...escaped(bytes), SLIP_END),
        );
        const decoder = new SlipDecoder();
        decoder.write(Buffer.of(...escaped(bytes), SLIP_END));
        const back: unknown = decoder.read();
        expect(Uint8Array.from(back as Buffer)).toEqual(bytes);
      }),
    );
  });

  it("works at any offset and touches nothing else", () => {
    fc.assert(
      fc.property(plainBytes, fc.nat(5), fc.nat(5), (bytes, before, at) => {
        const line = escaped(bytes);
        const padded = Uint8Array.from([...Array(before).fill(7), ...bytes, 7]);
        const out = new Uint8Array(at + line.length + 3).fill(9);
        expect(encodeSlip(padded, before, before + bytes.length, out, at)).toBe(at + line.length);
        expect([...out]).toEqual([...Array(at).fill(9), ...line, 9, 9, 9]);
        const back = new Uint8Array(bytes.length + 2).fill(9);
        expect(decodeSlip(out, at, at + line.length, back, 1)).toBe(1 + bytes.length);
        expect([...back]).toEqual([9, ...bytes, 9]);
      }),
    );
  });

  it.each([
    ["an END", [1, 0xc0, 2]],
    ["an ESC at the end", [1, 0xdb]],
    ["an ESC before any other byte", [0xdb, 0x11]],
    ["an ESC before ESC", [0xdb, 0xdb, 0xdc]],
  ])("refuses %s", (_, bytes) => {
    expect(unescaped(Uint8Array.from(bytes))).toBeUndefined();
  });

  it("does not look behind the end for what an ESC means", () => {
    expect(decodeSlip(Uint8Array.of(0xdb, 0xdc), 0, 1, new Uint8Array(2), 0)).toBe(-1);
  });

  it("takes any bytes, and never writes more than it has read", () => {
    fc.assert(
      fc.property(special, (bytes) => {
        const plain = unescaped(Uint8Array.from(bytes));
        if (plain) expect(plain.length).toBeLessThanOrEqual(bytes.length);
        if (plain) expect([...escaped(plain)]).toEqual(bytes);
      }),
    );
  });
});
