import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeAck, decodeFragment, encodeAck, encodeFragment, framesOf } from "./fragments.js";

const byte = fc.integer({ min: 0, max: 255 });
const uint16 = fc.integer({ min: 0, max: 65535 });

describe("fragments by hand", () => {
  it("are read as they were written, whatever lies around them", () => {
    const index = fc.integer({ min: 0, max: 65534 });
    const some = fc.uint8Array({ maxLength: 245 });
    fc.assert(
      fc.property(byte, index, uint16, some, (message, at, more, bytes) => {
        const fragment = { message, index: at, count: Math.min(65535, at + 1 + more), bytes };
        const around = Buffer.concat([Buffer.alloc(3, 9), encodeFragment(fragment)]);
        expect(decodeFragment(new Uint8Array(around).subarray(3))).toEqual(fragment);
      }),
    );
    fc.assert(
      fc.property(byte, uint16, (message, at) => {
        expect(decodeAck(encodeAck({ message, index: at }))).toEqual({ message, index: at });
      }),
    );
  });

  it("cut a message so that it can be put together again, all full but the last", () => {
    const mtu = fc.integer({ min: 20, max: 250 });
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 2000 }), mtu, (bytes, mtuBytes) => {
        const frames = framesOf(7, bytes, mtuBytes);
        const fragments = frames.map((frame) => decodeFragment(frame));
        expect(fragments.map((fragment) => fragment?.index)).toEqual([...frames.keys()]);
        expect(new Set(fragments.map((fragment) => fragment?.count))).toEqual(
          new Set([frames.length]),
        );
        expect(frames.slice(0, -1).every((frame) => frame.length === mtuBytes)).toBe(true);
        const parts = fragments.map((fragment) => fragment?.bytes ?? new Uint8Array());
        expect(new Uint8Array(Buffer.concat(parts))).toEqual(bytes);
      }),
    );
  });

  it("say when a message is too long", () => {
    expect(() => framesOf(1, new Uint8Array(15 * 65535 + 1), 20)).toThrow(
      "The message takes 65536 fragments; cut it into several messages.",
    );
  });

  it("are none where the bytes make no sense", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 250 }), (frame) => {
        const fragment = decodeFragment(frame);
        if (fragment) expect(fragment.index).toBeLessThan(fragment.count);
        else if (frame.length >= 5)
          expect(frame[1]! * 256 + frame[2]!).toBeGreaterThanOrEqual(frame[3]! * 256 + frame[4]!);
        expect(decodeAck(frame) !== undefined).toBe(frame.length === 3);
      }),
    );
  });
});
