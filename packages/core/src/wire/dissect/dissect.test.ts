import { readFileSync } from "node:fs";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { frame } from "../../../test/any-frame.js";
import { ByteWriter } from "../byte-writer.js";
import { sealDatagram } from "../datagram.js";
import { encodeFrame, type Frame } from "../frames.js";
import { type Ask, encodeLongHead, encodeShortHead } from "../head.js";
import { encodePad } from "../pad-frame.js";
import { encodeSessionless } from "../sessionless-datagram.js";
import { dissectDatagram, readDatagram } from "./dissect.js";
import type { DatagramField, DatagramPart } from "./part.js";

const u32 = fc.integer({ min: 0, max: 0xffffffff });
const ask = fc.constantFrom<Ask[]>(0, 1, 2, 3);
const frames = fc.array(frame, { maxLength: 6 });
const protocol = readFileSync(new URL("../../../PROTOCOL.md", import.meta.url), "utf8");
const sections = new Set([...protocol.matchAll(/^##+ ([\d.]+) /gm)].map(([, section]) => section));

function shortDatagram(list: readonly Frame[], number: number, wanted: Ask, pads = 0): Uint8Array {
  const out = new ByteWriter(new Uint8Array(8000));
  encodeShortHead(out, wanted, number);
  encodePad(out, pads);
  for (const [index, each] of list.entries()) encodeFrame(out, each, index === list.length - 1);
  return sealDatagram(out, 1, 2, number);
}

function longDatagram(list: readonly Frame[], from: number, to: number, number: number) {
  const out = new ByteWriter(new Uint8Array(8000));
  encodeLongHead(out, 1, from, to, number);
  for (const [index, each] of list.entries()) encodeFrame(out, each, index === list.length - 1);
  return sealDatagram(out, to, from, number);
}

/** Parts follow each other from end to end, fields too, and bits share a byte without a gap. */
function expectCover(bytes: Uint8Array, parts: readonly DatagramPart[]): void {
  let at = 0;
  for (const part of parts) {
    expect(part.from).toBe(at);
    const counts = new Uint8Array(bytes.length);
    for (const field of part.fields) {
      expect(field.from).toBeGreaterThanOrEqual(part.from);
      expect(field.to).toBeLessThanOrEqual(part.to);
      expect(field.to).toBeGreaterThan(field.from);
      for (let byte = field.from; byte < field.to; byte++) {
        const mask = field.mask ?? 0xff;
        expect((counts[byte]! & mask) >>> 0).toBe(0);
        counts[byte]! |= mask;
      }
      if (field.mask !== undefined) {
        const shift = 31 - Math.clz32(field.mask & -field.mask);
        expect(field.value).toBe((bytes[field.from]! & field.mask) >>> shift);
      } else if (typeof field.value === "string") {
        const hex = Buffer.from(bytes.subarray(field.from, field.to)).toString("hex");
        expect(field.value).toBe(hex);
      }
      expect(field.words).not.toBe("");
      expect(sections).toContain(field.section);
    }
    for (let byte = part.from; byte < part.to; byte++) expect(counts[byte]).toBe(0xff);
    at = part.to;
  }
  expect(at).toBe(bytes.length);
}

function toldValue(part: DatagramPart, name: string): DatagramField["value"] | undefined {
  return part.fields.find((field) => field.name === name)?.value;
}

/** What each type of frame must say, by the name of the field. */
function expectValues(part: DatagramPart, each: Frame): void {
  expect(part.name).toBe(each.type);
  const names: Partial<Record<string, string>> = { mtuBytes: "mtu", version: "v", map: "map" };
  const skipped = new Set([
    "type",
    "first",
    "last",
    "total",
    "crc32",
    "prompt",
    "truncated",
    "fragmented",
  ]);
  for (const [key, value] of Object.entries(each)) {
    if (skipped.has(key)) continue;
    const told = toldValue(part, names[key] ?? key);
    if (value instanceof Uint8Array) expect(told ?? "").toBe(Buffer.from(value).toString("hex"));
    else if (each.type !== "loose" || each.fragmented || key === "lane") expect(told).toBe(value);
  }
  if (each.type === "data") {
    expect([toldValue(part, "f"), toldValue(part, "l")]).toEqual([+each.first, +each.last]);
    expect(toldValue(part, "total")).toBe(each.first && !each.last ? each.total : undefined);
    expect(toldValue(part, "crc32")).toBe(each.last && !each.first ? each.crc32 : undefined);
  }
  if (each.type === "ack")
    expect([toldValue(part, "p"), toldValue(part, "t")]).toEqual([+each.prompt, +each.truncated]);
  if (each.type === "stop") expect(toldValue(part, "first")).toBe(each.first);
}

describe("dissectDatagram", () => {
  it("covers every byte and bit once, and says what the decoder says", () => {
    fc.assert(
      fc.property(frames, u32, ask, fc.nat(3), (list, number, wanted, pads) => {
        const bytes = shortDatagram(list, number, wanted, pads);
        const parts = dissectDatagram(bytes);
        expectCover(bytes, parts);
        expect(toldValue(parts[0]!, "ask")).toBe(wanted);
        expect(toldValue(parts[0]!, "number")).toBe(number & 0xffff);
        const told = parts.slice(pads > 0 ? 2 : 1, -1);
        expect(told).toHaveLength(list.length);
        for (const [index, each] of list.entries()) expectValues(told[index]!, each);
        expect(readDatagram(bytes)?.frames).toEqual(list);
      }),
    );
  });

  it("tells the tokens of a long datagram, and judges its CRC", () => {
    fc.assert(
      fc.property(frames, u32, u32, u32, (list, from, to, number) => {
        const bytes = longDatagram(list, from, to, number);
        const [head, ...rest] = dissectDatagram(bytes);
        expect(toldValue(head!, "token from")).toBe(from);
        expect(toldValue(head!, "token to")).toBe(to);
        expect(toldValue(head!, "number")).toBe(number);
        expect(rest.at(-1)?.words).toContain("good");
        bytes[1]! ^= 0x10;
        expect(dissectDatagram(bytes).at(-1)?.words).toContain("wrong");
      }),
    );
  });

  it("takes any bytes, and covers them", () => {
    const first = fc.constantFrom(0x40, 0x41, 0x48, 0x50, 0x58, 0x60, 0x70, 0x80, 0x00);
    const hostile = fc
      .tuple(first, fc.uint8Array({ maxLength: 80 }))
      .map(([head, rest]) => Uint8Array.of(head, ...rest));
    fc.assert(
      fc.property(fc.oneof(hostile, fc.uint8Array({ maxLength: 300 })), (bytes) => {
        expectCover(bytes, dissectDatagram(bytes));
        readDatagram(bytes);
      }),
      { numRuns: 2000 },
    );
  });

  it("covers datagrams without session of every kind, whole and cut short", () => {
    const out = new ByteWriter(new Uint8Array(400));
    const body = fc.oneof(
      fc.uint8Array({ maxLength: 120 }),
      fc.uint8Array({ maxLength: 60, max: 12 }),
    );
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 4 }), body, (kind, bytes) => {
        const start = new ByteWriter(out.bytes);
        encodeSessionless(start, kind, bytes);
        const datagram = start.bytes.slice(0, start.at);
        const parts = dissectDatagram(datagram);
        expectCover(datagram, parts);
        expect(parts.at(-1)?.words).toContain("good");
      }),
      { numRuns: 1000 },
    );
  });

  it("says what is wrong with a frame, and keeps what came before", () => {
    const bytes = Uint8Array.from([0x41, 0, 1, 0x20, 0, 7, 0xff, 0, 0]);
    expect(dissectDatagram(bytes).map(({ name, words }) => `${name}: ${words}`)).toEqual([
      "head: short #…0001 ask now",
      "skip: skip ch 0 to fragment 7",
      "unreadable: truncated",
      "crc: crc 0000",
    ]);
    expect(readDatagram(bytes)).toBeUndefined();
    expect(dissectDatagram(new Uint8Array(0))).toMatchObject([{ name: "unreadable" }]);
  });

  it("keeps what is encrypted apart", () => {
    const short = Uint8Array.from([0x49, 0x12, 0x34, 1, 2, 3, ...new Uint8Array(8)]);
    expect(dissectDatagram(short).map(({ name, to }) => [name, to])).toEqual([
      ["head", 3],
      ["encrypted", 6],
      ["tag", 14],
    ]);
    expect(readDatagram(short)).toBeUndefined();
  });
});
