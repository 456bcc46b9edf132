import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter } from "./byte-writer.js";
import { type DataFields, dataFrameBytes, encodeData } from "./data-frame.js";
import type { DecodeFault } from "./decoded.js";
import { decodeFrames, type Frame } from "./frames.js";

function decodedFrom(hex: string): Frame[] | DecodeFault {
  const bytes = Uint8Array.from(Buffer.from(hex.replaceAll(" ", ""), "hex"));
  const decoded = decodeFrames(bytes, 0, bytes.length);
  return decoded.ok ? decoded.value : decoded.fault;
}

describe("DATA", () => {
  it("may be empty only if the message is", () => {
    expect(decodedFrom("e3 ffff")).toMatchObject([{ first: true, last: true, total: 0 }]);
    expect(decodedFrom("f3 ffff 00")).toMatchObject([{ first: true, last: true, total: 0 }]);
    expect(decodedFrom("83 ffff")).toBe("bad-value");
    expect(decodedFrom("93 ffff 00")).toBe("bad-value");
    expect(decodedFrom("c3 ffff")).toBe("truncated");
  });

  it("needs its CRC-32 whole in a last fragment", () => {
    expect(decodedFrom("a0 0203 cbf43926")).toMatchObject([{ crc32: 0xcbf43926 }]);
    expect(decodedFrom("a0 0203 cbf439")).toBe("bad-value");
    expect(decodedFrom("b0 0203 03 cbf43926")).toBe("bad-value");
  });

  it("does not end inside its own total", () => {
    expect(decodedFrom("d0 0203 02 7000")).toMatchObject([{ total: 12_288 }]);
    expect(decodedFrom("d0 0203 01 7000")).toBe("bad-value");
    expect(decodedFrom("d0 0203 00 00")).toBe("bad-value");
    expect(decodedFrom("c0 0203 70")).toBe("truncated");
    expect(decodedFrom("c0 0203 c020000000000000")).toBe("bad-value");
  });

  it("takes lengths in a longer form than needed, but no impossible ones", () => {
    expect(decodedFrom("f0 0203 4001 aa")).toMatchObject([{ bytes: Uint8Array.of(0xaa) }]);
    expect(decodedFrom("f0 0203 02 aa")).toBe("truncated");
    expect(decodedFrom("f0 0203 40")).toBe("truncated");
    expect(decodedFrom("f0 0203 ffffffffffffffff aa")).toBe("bad-value");
  });

  const fields: DataFields = {
    channel: 0,
    fragment: 0,
    first: true,
    last: true,
    withLength: false,
    total: 0,
    crc32: 0,
    bytes: new Uint8Array(4),
    from: 0,
    to: 4,
  };

  it("takes the bytes that dataFrameBytes foretells", () => {
    const options = fc.record({
      first: fc.boolean(),
      last: fc.boolean(),
      withLength: fc.boolean(),
      total: fc.oneof(fc.nat(20_000), fc.maxSafeNat()),
    });
    fc.assert(
      fc.property(options, fc.uint8Array({ maxLength: 300 }), fc.nat(5), (chosen, bytes, skip) => {
        const { first, last } = chosen;
        const from = Math.min(skip, bytes.length);
        const to = bytes.length;
        fc.pre(first || last || from < to);
        const out = new ByteWriter(new Uint8Array(400));
        encodeData(out, { ...fields, ...chosen, crc32: 0xcbf43926, bytes, from, to });
        expect(out.at).toBe(dataFrameBytes(to - from, chosen));
        const frame = {
          type: "data",
          channel: 0,
          fragment: 0,
          first,
          last,
          total: first && !last ? chosen.total : 0,
          crc32: last && !first ? 0xcbf43926 : 0,
          bytes: bytes.subarray(from),
        };
        expect(decodeFrames(out.bytes, 0, out.at)).toEqual({ ok: true, value: [frame] });
      }),
    );
  });

  it("costs 3 bytes in a full datagram (PROTOCOL.md, section 2)", () => {
    const middle = { first: false, last: false, withLength: false, total: 0 };
    expect(dataFrameBytes(242, middle)).toBe(245);
  });

  it("refuses what nobody could decode", () => {
    const bad: Partial<DataFields>[] = [
      { channel: 16 },
      { channel: -1 },
      { channel: 1.5 },
      { fragment: 65_536 },
      { last: false, total: -1 },
      { last: false, total: 2 ** 53 },
      { first: false, crc32: 2 ** 32 },
      { to: 5 },
      { from: 3, to: 2 },
      { first: false, last: false, to: 0 },
    ];
    for (const change of bad) {
      const out = new ByteWriter(new Uint8Array(40));
      expect(() => encodeData(out, { ...fields, ...change })).toThrow(RangeError);
    }
    const small = new ByteWriter(new Uint8Array(6));
    expect(() => encodeData(small, fields)).toThrow(RangeError);
  });
});
