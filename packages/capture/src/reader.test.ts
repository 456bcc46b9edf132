import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { anyDatagram, anyHead } from "./any-datagram.js";
import { BlockBuilder, blockBytes } from "./block-builder.js";
import { BLOCK_BYTES_MAX } from "./block-splitter.js";
import type { CapturedDatagram, CaptureHead } from "./captured.js";
import { type CaptureItem, CaptureReader, isCapture, readCapture } from "./reader.js";
import { CaptureWriter, writeCapture } from "./writer.js";

const HEAD: CaptureHead = {
  link: "lossy:loss=0.1",
  mtuBytes: 250,
  startedAt: new Date("2026-04-18T03:20:00.000Z"),
};
const datagram = (index: number): CapturedDatagram => ({
  atUs: index * 1000,
  direction: "received",
  from: Uint8Array.of(2, 0, 0, 0, 0, 0x0b),
  bytes: new Uint8Array(20).fill(index),
});

function read(bytes: Uint8Array, stride = bytes.length): CaptureItem[] {
  const reader = new CaptureReader();
  const items: CaptureItem[] = [];
  for (let at = 0; at < bytes.length; at += stride)
    items.push(...reader.push(bytes.subarray(at, at + stride)));
  return [...items, ...reader.end()];
}

const types = (items: readonly CaptureItem[]) => items.map(({ type }) => type).join(" ");
const join = (...pieces: Uint8Array[]) => Uint8Array.from(Buffer.concat(pieces));

/** Offsets of the blocks of a capture. */
function blocksOf(bytes: Uint8Array): number[] {
  const view = new DataView(bytes.buffer, bytes.byteOffset);
  const offsets: number[] = [];
  for (let at = 0; at < bytes.length; at += view.getUint32(at + 4, true)) offsets.push(at);
  return offsets;
}

/** The same capture with the other byte order. */
function swapped(bytes: Uint8Array): Uint8Array {
  const copy = bytes.slice();
  const from = new DataView(bytes.buffer, bytes.byteOffset);
  const to = new DataView(copy.buffer);
  const u32 = (at: number) => to.setUint32(at, from.getUint32(at, true));
  const u16 = (at: number) => to.setUint16(at, from.getUint16(at, true));
  const FIXED: Readonly<Record<number, number>> = { 168627466: 16, 1: 8, 5: 12, 6: 20 };
  for (const at of blocksOf(bytes)) {
    const type = from.getUint32(at, true);
    const length = from.getUint32(at + 4, true);
    let option = at + 8 + (FIXED[type] ?? 0);
    for (let each = at; each < option; each += 4) u32(each);
    if (type === 0x0a0d0d0a || type === 1) u16(at + (type === 1 ? 8 : 12));
    if (type === 0x0a0d0d0a) u16(at + 14);
    if (type === 1) u16(at + 10);
    if (type === 6) option += (from.getUint32(at + 20, true) + 3) & ~3;
    while (option < at + length - 4) {
      const code = from.getUint16(option, true);
      const size = from.getUint16(option + 2, true);
      u16(option);
      u16(option + 2);
      const isNumber = type !== 1 && type !== 0x0a0d0d0a && code !== 1;
      const isTime = type === 5 && (code === 2 || code === 3);
      if (isNumber && size === 4) u32(option + 4);
      if (isNumber && size === 8 && isTime) for (const half of [4, 8]) u32(option + half);
      else if (isNumber && size === 8)
        to.setBigUint64(option + 4, from.getBigUint64(option + 4, true));
      option += 4 + ((size + 3) & ~3);
    }
    u32(at + length - 4);
  }
  return copy;
}

describe("a capture", () => {
  it("gives back what was written, in either byte order, in pieces of any size", () => {
    fc.assert(
      fc.property(
        anyHead,
        fc.array(anyDatagram, { maxLength: 8 }),
        fc.integer({ min: 1, max: 200 }),
        (head, datagrams, stride) => {
          const bytes = writeCapture(head, datagrams);
          expect(isCapture(bytes)).toBe(true);
          for (const file of [bytes, swapped(bytes)]) {
            const capture = readCapture(file);
            expect(capture).toEqual({
              head,
              datagrams,
              dropped: [],
              faults: [],
              isCut: false,
              recordings: 1,
            });
            expect(read(file, stride)).toEqual(read(file));
          }
        },
      ),
    );
  });

  it("says where datagrams are missing, behind the last one too", () => {
    const writer = new CaptureWriter(HEAD);
    const pieces = [writer.begin(), writer.datagram(datagram(1))];
    writer.dropped(3);
    writer.dropped(4);
    pieces.push(writer.datagram(datagram(2)));
    writer.dropped(5);
    pieces.push(writer.end(9000));
    const { datagrams, dropped, faults } = readCapture(join(...pieces));
    expect(datagrams).toEqual([datagram(1), datagram(2)]);
    expect(dropped).toEqual([
      { atUs: 2000, count: 7 },
      { atUs: 9000, count: 5 },
    ]);
    expect(faults).toEqual([]);
  });

  it("is told to be cut, wherever it is, and what came before is given", () => {
    const bytes = writeCapture(HEAD, [datagram(1), datagram(2)]);
    const whole = new Set([...blocksOf(bytes), bytes.length]);
    for (let length = 0; length <= bytes.length; length++) {
      const items = read(bytes.subarray(0, length), 7);
      expect(items.at(-1)?.type === "cut").toBe(!whole.has(length));
      const count = blocksOf(bytes).filter((at) => at <= length).length;
      expect(items.filter(({ type }) => type === "datagram").length).toBeLessThanOrEqual(
        Math.max(0, count - 2),
      );
    }
    expect(types(read(bytes))).toBe("head datagram datagram");
  });

  it("of several sections or links is several recordings", () => {
    const one = writeCapture(HEAD, [datagram(1)]);
    const other = writeCapture({ ...HEAD, link: "udp:" }, [datagram(2)]);
    const bytes = join(one, swapped(other));
    expect(types(read(bytes))).toBe("head datagram head datagram");
    expect(readCapture(bytes)).toMatchObject({ head: { link: "lossy:loss=0.1" }, recordings: 2 });
    expect(readCapture(bytes, { recording: 1 })).toMatchObject({
      head: { link: "udp:" },
      datagrams: [datagram(2)],
    });
    expect(() => readCapture(bytes, { recording: 2 })).toThrow("holds 2 recorded links");
  });

  it("of another program may leave out what only we write", () => {
    // Link type 147, nanoseconds, an offset of an hour; time 1.5 s.
    const section = writeCapture(HEAD, []).subarray(0, blocksOf(writeCapture(HEAD, []))[1]);
    const link = new BlockBuilder(1, 100)
      .u16(147)
      .u16(0)
      .u32(0)
      .option(9, Uint8Array.of(9))
      .option64(14, 3600)
      .endOfOptions()
      .done();
    const written = writeCapture(HEAD, [datagram(1)]);
    const [, , at = 0, end] = blocksOf(written);
    const passed = written.slice(at, end);
    new DataView(passed.buffer).setUint32(12, 0, true);
    new DataView(passed.buffer).setUint32(16, 1_500_000_000, true);
    const capture = readCapture(join(section, link, passed));
    expect(capture.head).toEqual({
      link: "",
      mtuBytes: 65_535,
      startedAt: new Date("1970-01-01T01:00:01.500Z"),
    });
    expect(capture.datagrams).toEqual([{ ...datagram(1), atUs: 0 }]);
  });

  it("passes over blocks and options that it does not know, of any size", () => {
    const bytes = writeCapture(HEAD, [datagram(1), datagram(2)]);
    const [, , at = 0] = blocksOf(bytes);
    const custom = new BlockBuilder(0x0bad, blockBytes(0)).endOfOptions().done();
    const huge = new Uint8Array(1 << 22);
    new DataView(huge.buffer).setUint32(0, 0x4242, true);
    new DataView(huge.buffer).setUint32(4, huge.length, true);
    const all = join(bytes.subarray(0, at), custom, huge, bytes.subarray(at));
    expect(read(all, 1000)).toEqual(read(bytes));
    const strange = new BlockBuilder(5, 100)
      .u32(0)
      .time(HEAD.startedAt.getTime() * 1000)
      .option(999, Uint8Array.of(1, 2, 3))
      .endOfOptions()
      .done();
    expect(read(join(bytes, strange))).toEqual(read(bytes));
  });

  it("is not looked at where its link type is another", () => {
    const bytes = writeCapture(HEAD, [datagram(1)]);
    const other = bytes.slice();
    other[(blocksOf(bytes)[1] ?? 0) + 8] = 1;
    expect(read(other)).toEqual([]);
    expect(() => readCapture(other)).toThrow("holds no recorded link");
    expect(() => readCapture(Uint8Array.of(1, 2, 3))).toThrow("no pcapng file");
  });
});

describe("hostile bytes", () => {
  const bytes = writeCapture(
    HEAD,
    Array.from({ length: 10 }, (_, index) => datagram(index)),
  );

  it("never throw, and cost no more than they are long", () => {
    fc.assert(
      fc.property(
        fc.array(fc.tuple(fc.nat(bytes.length - 1), fc.nat(255)), { minLength: 1, maxLength: 6 }),
        fc.integer({ min: 1, max: 500 }),
        (changes, stride) => {
          const copy = bytes.slice();
          for (const [at, byte] of changes) copy[at] = byte;
          const items = read(copy, stride);
          expect(items).toEqual(read(copy));
          expect(items.length).toBeLessThan(60);
        },
      ),
      { numRuns: 2000 },
    );
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 400 }), (noise) => {
        read(noise);
        read(join(bytes.subarray(0, 40), noise), 3);
      }),
    );
  });

  it("between two blocks cost none of them", () => {
    const offsets = blocksOf(bytes);
    fc.assert(
      fc.property(
        fc.constantFrom(...offsets.slice(2)),
        fc.uint8Array({ minLength: 1, maxLength: 90 }),
        fc.integer({ min: 1, max: 300 }),
        (at, noise, stride) => {
          // A length that is no length, so that it is noise from its first byte on.
          const items = read(
            join(
              bytes.subarray(0, at),
              Uint8Array.of(6, 0, 0, 0, 1, 0, 0, 0),
              noise,
              bytes.subarray(at),
            ),
            stride,
          );
          expect(items.filter(({ type }) => type === "datagram")).toHaveLength(10);
          expect(items.filter(({ type }) => type === "fault").length).toBeGreaterThan(0);
        },
      ),
    );
  });

  it.each<[string, (view: DataView, at: number) => void, string]>([
    ["a wrong second length", (view, at) => view.setUint32(at + 84, 8, true), "two lengths"],
    ["no such interface", (view, at) => view.setUint32(at + 8, 7, true), "no interface 7"],
    [
      "a datagram beyond its block",
      (view, at) => view.setUint32(at + 20, 4000, true),
      "runs beyond",
    ],
    ["a part of a datagram", (view, at) => view.setUint32(at + 24, 4000, true), "only in part"],
    [
      "a time beyond all dates",
      (view, at) => view.setUint32(at + 12, 0x7fff_ffff, true),
      "out of range",
    ],
    ["another pseudo-header", (view, at) => view.setUint8(at + 28, 2), "of version 2"],
    ["an address beyond the datagram", (view, at) => view.setUint8(at + 36, 200), "do not fit"],
    [
      "an option beyond its block",
      (view, at) => view.setUint16(at + 74, 900, true),
      "options of a datagram",
    ],
  ])("are named: %s", (_name, damage, words) => {
    const copy = bytes.slice();
    const [, , , at = 0] = blocksOf(bytes);
    damage(new DataView(copy.buffer), at);
    const { datagrams, faults } = readCapture(copy);
    expect(faults.map(({ why }) => why).join()).toContain(words);
    expect(faults[0]?.at).toBeGreaterThanOrEqual(at);
    expect(datagrams.length).toBeGreaterThanOrEqual(9);
  });

  it("of too many interfaces, or a block too large, are passed over and named", () => {
    const [, at = 0, end] = blocksOf(bytes);
    const link = bytes.subarray(at, end);
    const many = join(bytes.subarray(0, at), ...Array.from({ length: 300 }, () => link));
    const items = read(many);
    expect(items.filter(({ type }) => type === "head")).toHaveLength(256);
    expect(items.filter(({ type }) => type === "fault")).toHaveLength(44);
    const large = new Uint8Array(BLOCK_BYTES_MAX + 4);
    new DataView(large.buffer).setUint32(0, 6, true);
    new DataView(large.buffer).setUint32(4, large.length, true);
    expect(types(read(join(bytes, large, bytes.subarray(end)), 5000))).toContain("fault");
  });
});

describe("CaptureWriter", () => {
  it.each<[string, Partial<CapturedDatagram>]>([
    ["from", { from: new Uint8Array(65) }],
    ["to", { to: new Uint8Array(0) }],
    ["bytes", { bytes: new Uint8Array(65_536) }],
    ["atUs", { atUs: 0.5 }],
    ["atUs", { atUs: Number.MAX_SAFE_INTEGER }],
    ["rssiDbm", { rssiDbm: Number.NaN }],
    ["rssiDbm", { rssiDbm: -328 }],
    ["radioChannel", { radioChannel: 65_536 }],
    ["tookUs", { tookUs: -1 }],
  ])("refuses a datagram that breaks the limit of %s, and goes on", (name, wrong) => {
    const writer = new CaptureWriter(HEAD);
    const begin = writer.begin();
    writer.dropped(2);
    expect(() => writer.datagram({ ...datagram(1), ...wrong })).toThrow(`${name} must be`);
    const { datagrams, dropped } = readCapture(join(begin, writer.datagram(datagram(2))));
    expect([datagrams, dropped]).toEqual([[datagram(2)], [{ atUs: 2000, count: 2 }]]);
  });

  it("refuses a head that breaks a limit", () => {
    for (const wrong of [
      { mtuBytes: 19 },
      { startedAt: new Date(Number.NaN) },
      { localAddress: new Uint8Array(0) },
    ])
      expect(() => new CaptureWriter({ ...HEAD, ...wrong })).toThrow("must be");
  });

  it("cuts texts between characters", () => {
    const link = "é".repeat(600);
    const capture = readCapture(writeCapture({ ...HEAD, link }, [{ ...datagram(1), fate: link }]));
    expect(capture.head.link).toBe("é".repeat(500));
    expect(capture.datagrams[0]?.fate).toBe("é".repeat(32));
  });

  it("takes the largest datagram with all that can go with it", () => {
    const largest: CapturedDatagram = {
      ...datagram(1),
      from: new Uint8Array(64).fill(1),
      to: new Uint8Array(64).fill(2),
      bytes: new Uint8Array(65_535).fill(3),
      fate: "f".repeat(64),
      comment: "c".repeat(1000),
    };
    expect(readCapture(writeCapture(HEAD, [largest])).datagrams).toEqual([largest]);
  });
});
