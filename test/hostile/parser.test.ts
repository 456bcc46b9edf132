// Any bytes give a value: nothing throws, nothing outside is read, and the work grows with the bytes only
// (PROTOCOL.md, sections 2 and 3).

import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  ByteWriter,
  CRC_BYTES,
  decodeFrames,
  decodeHead,
  describeDatagram,
  encodeFrame,
  type Frame,
} from "../../packages/core/src/wire/index.js";
import { anyFrame } from "./any-frame.js";

/** So many runs of each property. */
const RUNS = { numRuns: 400 };
/** Reads of one byte: its type, its place in a field, and looking whether it is there. */
const READS_PER_BYTE_MAX = 8;

const bytes = fc.uint8Array({ maxLength: 300 });

/** Bytes that begin like frames: what follows is reached far more often than with any bytes. */
const nearlyFrames = fc
  .array(
    fc.tuple(
      fc.constantFrom(
        0x00,
        0x10,
        0x21,
        0x31,
        0x4f,
        0x50,
        0x51,
        0x60,
        0x6f,
        0x64,
        0x70,
        0x80,
        0x90,
        0xa5,
        0xb0,
        0xc0,
        0xd1,
        0xe0,
        0xf3,
      ),
      fc.uint8Array({ maxLength: 12 }),
    ),
    { maxLength: 20 },
  )
  .map((frames) => Uint8Array.from(frames.flatMap(([type, body]) => [type, ...body])));

describe("the parser, given anything", () => {
  it("never throws, and gives no more frames than bytes", () => {
    fc.assert(
      fc.property(fc.oneof(bytes, nearlyFrames), fc.nat(20), (datagram, from) => {
        decodeHead(datagram);
        describeDatagram(datagram);
        const to = datagram.length - CRC_BYTES;
        const decoded = decodeFrames(datagram, from, to);
        if (decoded.ok) expect(decoded.value.length).toBeLessThanOrEqual(Math.max(0, to - from));
      }),
      RUNS,
    );
  });

  it("reads nothing outside of the datagram", () => {
    fc.assert(
      fc.property(fc.oneof(bytes, nearlyFrames), bytes, bytes, (body, before, behind) => {
        const alone = decodeFrames(body, 0, body.length);
        const around = Uint8Array.from([...before, ...body, ...behind]);
        const inside = around.subarray(before.length, before.length + body.length);
        expect(decodeFrames(inside, 0, body.length)).toEqual(alone);
        // The bytes behind the frames belong to the CRC: they are not read as frames either.
        expect(decodeFrames(around, before.length, before.length + body.length)).toEqual(alone);
      }),
      RUNS,
    );
  });

  it("works no more than a few steps for each byte, however long the datagram is", () => {
    const long = fc.oneof(
      nearlyFrames.map((part) => repeated(part, 20_000)),
      fc.uint8Array({ minLength: 1, maxLength: 8 }).map((part) => repeated(part, 20_000)),
      fc.constantFrom(0x00, 0x70, 0x60, 0xff).map((byte) => new Uint8Array(20_000).fill(byte)),
    );
    fc.assert(
      fc.property(long, (body) => {
        const { watched, reads } = countReads(body);
        decodeFrames(watched, 0, body.length);
        expect(reads()).toBeLessThanOrEqual(READS_PER_BYTE_MAX * body.length + 16);
      }),
      { numRuns: 60 },
    );
  });

  it("gives only frames that can be written again", () => {
    fc.assert(
      fc.property(fc.oneof(bytes, nearlyFrames), (body) => {
        const decoded = decodeFrames(body, 0, body.length);
        if (!decoded.ok) return;
        const again = written(decoded.value);
        expect(decodeFrames(again, 0, again.length)).toEqual(decoded);
      }),
      RUNS,
    );
  });

  it("takes frames with one field or one bit changed, or cut anywhere, without harm", () => {
    const frames = fc.array(anyFrame, { maxLength: 6 });
    fc.assert(
      fc.property(frames, fc.nat(), fc.nat(7), fc.nat(), (good, place, bit, cut) => {
        const body = written(good);
        expect(decodeFrames(body, 0, body.length)).toEqual({ ok: true, value: good });
        const flipped = body.slice();
        if (body.length > 0)
          flipped[place % body.length] = (body[place % body.length] ?? 0) ^ (1 << bit);
        for (const changed of [flipped, body.subarray(0, cut % (body.length + 1))]) {
          const decoded = decodeFrames(changed, 0, changed.length);
          if (decoded.ok) written(decoded.value);
        }
      }),
      RUNS,
    );
  });
});

function written(frames: readonly Frame[]): Uint8Array {
  const out = new ByteWriter(new Uint8Array(40_000));
  frames.forEach((frame, at) => {
    encodeFrame(out, frame, at === frames.length - 1);
  });
  return out.bytes.slice(0, out.at);
}

function repeated(part: Uint8Array, length: number): Uint8Array {
  return Uint8Array.from({ length }, (_, at) => part[at % Math.max(1, part.length)] ?? 0);
}

/** The same bytes, and how often one of them was looked at. */
function countReads(body: Uint8Array): { watched: Uint8Array; reads: () => number } {
  let count = 0;
  const watched = new Proxy(body, {
    get(target, key) {
      if (typeof key === "string" && /^\d+$/.test(key)) count++;
      const value: unknown = Reflect.get(target, key, target);
      return typeof value === "function" ? value.bind(target) : value;
    },
  });
  return { watched, reads: () => count };
}
