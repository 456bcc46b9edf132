import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { frame } from "../../test/any-frame.js";
import { ackFrameBytes, encodeAck } from "./ack-frame.js";
import { ByteWriter } from "./byte-writer.js";
import { CLOSE_FRAME_BYTES } from "./close-frame.js";
import type { DecodeFault } from "./decoded.js";
import { encodeExtension } from "./extension-frame.js";
import { asksForAck, decodeFrames, encodeFrame, type Frame, isNoSession } from "./frames.js";
import { encodeHello, HELLO_FRAME_BYTES } from "./hello-frame.js";
import { NO_SESSION_FRAME_BYTES } from "./no-session-frame.js";
import { encodePad } from "./pad-frame.js";
import { SKIP_FRAME_BYTES } from "./skip-frame.js";
import { STOP_FRAME_BYTES } from "./stop-frame.js";

const u8 = fc.integer({ min: 0, max: 0xff });
const frames = fc.oneof(
  fc.array(frame, { maxLength: 8 }),
  fc.constant<Frame[]>([{ type: "no-session" }]),
);

function encoded(list: readonly Frame[], from = 0): Uint8Array {
  const out = new ByteWriter(new Uint8Array(8000), from);
  list.forEach((each, index) => {
    encodeFrame(out, each, index === list.length - 1);
  });
  return out.bytes.slice(0, out.at);
}

function decodedFrom(hex: string): Frame[] | DecodeFault {
  const bytes = Uint8Array.from(Buffer.from(hex.replaceAll(" ", ""), "hex"));
  const decoded = decodeFrames(bytes, 0, bytes.length);
  return decoded.ok ? decoded.value : decoded.fault;
}

describe("frames", () => {
  it("come back from their bytes, and give the same bytes again", () => {
    fc.assert(
      fc.property(frames, fc.nat(20), (list, from) => {
        const bytes = encoded(list, from);
        const decoded = decodeFrames(bytes, from, bytes.length);
        expect(decoded).toEqual({ ok: true, value: list });
        if (decoded.ok) expect(encoded(decoded.value, from)).toEqual(bytes);
      }),
      { numRuns: 2000 },
    );
  });

  it("hold views into the datagram, no copies", () => {
    // ACK, LOOSE, extension and DATA, in this order.
    const hex = "10 0001 0002 08 01 80 6a 01 aa 71 01 bb e0 0003 cc".replaceAll(" ", "");
    const bytes = Uint8Array.from(Buffer.from(hex, "hex"));
    const decoded = decodeFrames(bytes, 0, bytes.length);
    bytes.fill(0x55);
    const seen = (decoded.ok ? decoded.value : []).map((each) => {
      if (each.type === "ack") return [...each.map];
      return "bytes" in each ? [...each.bytes] : [];
    });
    expect(seen).toEqual([[0x55], [0x55], [0x55], [0x55]]);
  });

  it("that are decoded from any bytes can be encoded, and mean the same", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (bytes) => {
        const decoded = decodeFrames(bytes, 0, bytes.length);
        if (!decoded.ok) return;
        const again = encoded(decoded.value);
        expect(decodeFrames(again, 0, again.length)).toEqual(decoded);
      }),
      { numRuns: 5000 },
    );
  });

  it("that are damaged give frames or a fault, never an exception", () => {
    const damage = fc.array(fc.tuple(fc.nat(), u8), { minLength: 1, maxLength: 4 });
    fc.assert(
      fc.property(frames, damage, fc.nat(), (list, changes, cut) => {
        const bytes = encoded(list);
        for (const [at, value] of changes) if (bytes.length > 0) bytes[at % bytes.length] = value;
        const damaged = bytes.subarray(0, bytes.length - (cut % 3));
        const decoded = decodeFrames(damaged, 0, damaged.length);
        if (!decoded.ok) return;
        const again = encoded(decoded.value);
        expect(decodeFrames(again, 0, again.length)).toEqual(decoded);
      }),
      { numRuns: 3000 },
    );
  });

  it("are read from their range alone: what stands around it changes nothing", () => {
    const cut = fc.tuple(frames, fc.nat(12)).map(([list, less]) => {
      const bytes = encoded(list);
      return bytes.subarray(0, Math.max(0, bytes.length - less));
    });
    const anyBytes = fc.oneof(cut, fc.uint8Array({ maxLength: 60 }));
    fc.assert(
      fc.property(anyBytes, u8, fc.nat(9), (bytes, around, before) => {
        const alone = decodeFrames(bytes, 0, bytes.length);
        const wide = new Uint8Array(before + bytes.length + 300).fill(around);
        wide.set(bytes, before);
        expect(decodeFrames(wide, before, before + bytes.length)).toEqual(alone);
      }),
      { numRuns: 3000 },
    );
  });

  it("never reach beyond an array that is shorter than said", () => {
    expect(decodeFrames(Uint8Array.of(0x20, 1, 2), 0, 9)).toEqual({
      ok: true,
      value: [{ type: "skip", channel: 0, next: 258 }],
    });
    expect(decodeFrames(Uint8Array.of(0x20, 1), 0, 9)).toEqual({ ok: false, fault: "truncated" });
    expect(decodeFrames(new Uint8Array(3), 13, 1)).toEqual({ ok: false, fault: "truncated" });
  });

  it("may be none, and PAD is none", () => {
    expect(decodedFrom("")).toEqual([]);
    expect(decodedFrom("00 00 00")).toEqual([]);
    const out = new ByteWriter(new Uint8Array(8).fill(9));
    encodePad(out, 0);
    expect(out.at).toBe(0);
    encodePad(out, 5);
    expect([...out.bytes]).toEqual([0, 0, 0, 0, 0, 9, 9, 9]);
  });

  it("know which first bytes are defined, for all 256", () => {
    for (let first = 0; first < 256; first++) {
      // Enough zero bytes for the longest fixed part; HELLO does not take zeros.
      const bytes = new Uint8Array(12);
      bytes[0] = first;
      const decoded = decodeFrames(bytes, 0, first === 0x51 ? 1 : 12);
      const undefinedType = (first > 0 && first < 0x10) || (first > 0x51 && first < 0x60);
      expect(!decoded.ok && decoded.fault === "unknown-frame").toBe(undefinedType);
    }
  });

  it("spoil the whole datagram if one of them is bad", () => {
    expect(decodedFrom("20 0001")).toHaveLength(1);
    expect(decodedFrom("20 0001 01")).toBe("unknown-frame");
    expect(decodedFrom("20 0001 20 00")).toBe("truncated");
    expect(decodedFrom("20 0001 31 0013 01")).toBe("bad-value");
  });

  it("ask for an ack if they are DATA or SKIP", () => {
    fc.assert(
      fc.property(frame, (each) => {
        expect(asksForAck(each)).toBe(["data", "skip"].includes(each.type));
      }),
    );
    expect(asksForAck({ type: "no-session" })).toBe(false);
  });

  it("are a NO-SESSION only if it stands alone", () => {
    expect(isNoSession([{ type: "no-session" }])).toBe(true);
    expect(isNoSession([])).toBe(false);
    expect(isNoSession([{ type: "close", reason: 0 }])).toBe(false);
    expect(decodedFrom("51")).toEqual([{ type: "no-session" }]);
    for (const hex of ["51 00", "00 51", "51 51", "5000 51", "51 2a0000"]) {
      expect(decodedFrom(hex)).toBe("bad-value");
    }
  });
});

describe("the other frames", () => {
  it("have the sizes of section 3", () => {
    const sizes: [Frame, number][] = [
      [{ type: "skip", channel: 1, next: 2 }, SKIP_FRAME_BYTES],
      [{ type: "stop", channel: 1, first: 2, reason: 3 }, STOP_FRAME_BYTES],
      [{ type: "hello", version: 1, mtuBytes: 250, window: 64 }, HELLO_FRAME_BYTES],
      [{ type: "close", reason: 1 }, CLOSE_FRAME_BYTES],
      [{ type: "no-session" }, NO_SESSION_FRAME_BYTES],
    ];
    for (const [each, size] of sizes) {
      const bytes = encoded([each]);
      expect(bytes.length).toBe(size);
      for (let cut = 1; cut < size; cut++) {
        expect(decodeFrames(bytes, 0, size - cut)).toEqual({ ok: false, fault: "truncated" });
      }
    }
  });

  it("ACK takes 7 bytes and its map, and is cut short at any of them", () => {
    const map = Uint8Array.from({ length: 32 }, (_, i) => 255 - i);
    for (const mapBytes of [0, 1, 31, 32]) {
      const out = new ByteWriter(new Uint8Array(60));
      encodeAck(out, 9, 1, 2, 3, true, false, map, mapBytes);
      expect(out.at).toBe(ackFrameBytes(mapBytes));
      expect(out.at).toBe(7 + mapBytes);
      for (let to = 1; to < out.at; to++) {
        expect(decodeFrames(out.bytes, 0, to)).toEqual({ ok: false, fault: "truncated" });
      }
      expect(decodeFrames(out.bytes, 0, out.at)).toMatchObject({
        value: [{ channel: 9, map: map.subarray(0, mapBytes) }],
      });
    }
  });

  it("ACK has no map of more than 32 bytes", () => {
    const rest = "00".repeat(63);
    expect(decodedFrom(`10 0001 0002 03 20 ${rest.slice(0, 64)}`)).toHaveLength(1);
    expect(decodedFrom(`10 0001 0002 03 21 ${rest}`)).toBe("bad-value");
    expect(decodedFrom(`10 0001 0002 03 3f ${rest}`)).toBe("bad-value");
    const out = new ByteWriter(new Uint8Array(60));
    for (const mapBytes of [-1, 33]) {
      expect(() => encodeAck(out, 0, 0, 0, 0, false, false, new Uint8Array(40), mapBytes)).toThrow(
        RangeError,
      );
    }
    expect(() => encodeAck(out, 0, 0, 0, 0, false, false, new Uint8Array(3), 4)).toThrow(
      RangeError,
    );
  });

  it("HELLO says nothing impossible", () => {
    expect(decodedFrom("31 0014 01")).toEqual([
      { type: "hello", version: 1, mtuBytes: 20, window: 1 },
    ]);
    expect(decodedFrom("31 0013 01")).toBe("bad-value");
    expect(decodedFrom("31 0014 00")).toBe("bad-value");
    expect(decodedFrom("30 0014 01")).toBe("bad-value");
    const out = new ByteWriter(new Uint8Array(60));
    expect(() => encodeHello(out, 1, 19, 1)).toThrow(RangeError);
    expect(() => encodeHello(out, 1, 65_536, 1)).toThrow(RangeError);
    expect(() => encodeHello(out, 1, 250, 0)).toThrow(RangeError);
    expect(() => encodeHello(out, 1, 250, 256)).toThrow(RangeError);
    expect(() => encodeHello(out, 0, 250, 1)).toThrow(RangeError);
    expect(() => encodeHello(out, 16, 250, 1)).toThrow(RangeError);
  });

  it("extensions are carried as they are, up to 255 bytes", () => {
    expect(decodedFrom("7f 00")).toEqual([
      { type: "extension", kind: 15, bytes: new Uint8Array(0) },
    ]);
    expect(decodedFrom("70")).toBe("truncated");
    expect(decodedFrom("70 02 00")).toBe("truncated");
    const out = new ByteWriter(new Uint8Array(600));
    expect(() => encodeExtension(out, 16, new Uint8Array(1))).toThrow(RangeError);
    expect(() => encodeExtension(out, 1, new Uint8Array(256))).toThrow(RangeError);
  });
});
