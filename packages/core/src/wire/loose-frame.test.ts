import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter } from "./byte-writer.js";
import type { DecodeFault } from "./decoded.js";
import { decodeFrames, type Frame } from "./frames.js";
import { encodeLoose, type LooseFields, looseFrameBytes } from "./loose-frame.js";

function decodedFrom(hex: string): Frame[] | DecodeFault {
  const bytes = Uint8Array.from(Buffer.from(hex.replaceAll(" ", ""), "hex"));
  const decoded = decodeFrames(bytes, 0, bytes.length);
  return decoded.ok ? decoded.value : decoded.fault;
}

describe("LOOSE", () => {
  it("has at most 128 fragments, so that the last place is that of the last one", () => {
    expect(decodedFrom("64 0a0b 7e aa")).toMatchObject([{ index: 126, last: false }]);
    expect(decodedFrom("64 0a0b 7f aa")).toBe("bad-value");
    expect(decodedFrom("64 0a0b ff aa 01020304")).toMatchObject([{ index: 127, last: true }]);
  });

  it("may be empty as a whole, but not as a fragment", () => {
    expect(decodedFrom("62")).toMatchObject([{ lane: 2, last: true, fragmented: false }]);
    expect(decodedFrom("6a 00")).toMatchObject([{ lane: 2, last: true, fragmented: false }]);
    expect(decodedFrom("64 0a0b 01")).toBe("bad-value");
    expect(decodedFrom("6c 0a0b 01 00")).toBe("bad-value");
    expect(decodedFrom("64 0a0b 81 01020304")).toMatchObject([{ crc32: 0x01020304 }]);
    expect(decodedFrom("64 0a0b 81 010203")).toBe("bad-value");
    expect(decodedFrom("6c 0a0b 81 03 01020304")).toBe("bad-value");
  });

  it("is cut short at any of its fields", () => {
    expect(decodedFrom("64 0a0b")).toBe("truncated");
    expect(decodedFrom("6c 0a0b 01")).toBe("truncated");
    expect(decodedFrom("68")).toBe("truncated");
    expect(decodedFrom("68 02 aa")).toBe("truncated");
    expect(decodedFrom("68 ffffffffffffffff")).toBe("bad-value");
  });

  const fields: LooseFields = {
    lane: 0,
    fragmented: true,
    withLength: false,
    id: 0,
    index: 0,
    last: false,
    crc32: 0,
    bytes: new Uint8Array(4),
    from: 0,
    to: 4,
  };

  it("takes the bytes that looseFrameBytes foretells", () => {
    const options = fc.record({
      fragmented: fc.boolean(),
      last: fc.boolean(),
      withLength: fc.boolean(),
    });
    fc.assert(
      fc.property(options, fc.uint8Array({ minLength: 1, maxLength: 300 }), (chosen, bytes) => {
        const { fragmented } = chosen;
        const sent = { id: 0x0a0b, index: 5, crc32: 0xcbf43926, from: 0, to: bytes.length };
        const out = new ByteWriter(new Uint8Array(400));
        encodeLoose(out, { ...fields, ...chosen, ...sent, bytes });
        expect(out.at).toBe(looseFrameBytes(bytes.length, chosen));
        const frame = {
          type: "loose",
          lane: 0,
          fragmented,
          id: fragmented ? 0x0a0b : 0,
          index: fragmented ? 5 : 0,
          last: fragmented ? chosen.last : true,
          crc32: fragmented && chosen.last ? 0xcbf43926 : 0,
          bytes,
        };
        expect(decodeFrames(out.bytes, 0, out.at)).toEqual({ ok: true, value: [frame] });
      }),
    );
  });

  it("refuses what nobody could decode", () => {
    const bad: Partial<LooseFields>[] = [
      { lane: 4 },
      { lane: -1 },
      { lane: 0.5 },
      { id: 65_536 },
      { index: 128, last: true },
      { index: -1 },
      { index: 127 },
      { to: 0 },
      { to: 5 },
      { last: true, crc32: -1 },
    ];
    for (const change of bad) {
      const out = new ByteWriter(new Uint8Array(40));
      expect(() => encodeLoose(out, { ...fields, ...change })).toThrow(RangeError);
    }
  });
});
