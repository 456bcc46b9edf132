import { describe, expect, it } from "vitest";
import { ByteReader } from "../packages/core/src/wire/byte-reader.js";
import {
  type Ask,
  ByteWriter,
  CRC_BYTES,
  CRC16_START,
  crcMatches,
  decodeFrames,
  decodeHead,
  describeDatagram,
  encodeFrame,
  encodeLongHead,
  encodeShortHead,
  type Frame,
  type Head,
  isNoSession,
  sealDatagram,
  updateCrc16,
  updateCrc32,
  varintBytes,
} from "../packages/core/src/wire/index.js";
import { files, render } from "./vectors/make.js";
import { bytesOf, hexOf, load, textOf } from "./vectors/read.js";
import type {
  AcceptedVector,
  DatagramVector,
  FrameJson,
  HeadJson,
  RefusedVector,
} from "./vectors/vector.js";

function hex32(value: number): string {
  return value.toString(16).padStart(8, "0");
}

function headJson(head: Head): HeadJson {
  if (head.form === "short") {
    return { form: "short", ask: head.ask, numberLow: head.numberLow };
  }
  const { ask, tokenFrom, tokenTo, number } = head;
  return {
    form: "long",
    ask,
    tokenFrom: hex32(tokenFrom),
    tokenTo: hex32(tokenTo),
    number: hex32(number),
  };
}

function frameJson(frame: Frame): FrameJson {
  const fields = Object.entries(frame).map(([name, value]: [string, unknown]) => {
    if (value instanceof Uint8Array) return [name, hexOf(value)];
    return [name, name === "crc32" ? hex32(value as number) : value];
  });
  return Object.fromEntries(fields) as FrameJson;
}

function crcFits(vector: DatagramVector, datagram: Uint8Array): boolean {
  const [to, from, number] = [vector.tokenTo, vector.tokenFrom, vector.number].map((digits) =>
    Number.parseInt(digits, 16),
  );
  return crcMatches(datagram, to!, from!, number!);
}

/** Where a receiver drops a datagram, in the order of section 2 and 3. */
function verdict(vector: DatagramVector, datagram: Uint8Array) {
  const head = decodeHead(datagram);
  if (!head.ok) return { refusedBy: "head", fault: head.fault };
  if (!crcFits(vector, datagram)) return { refusedBy: "crc", fault: "" };
  const frames = decodeFrames(datagram, head.value.headBytes, datagram.length - CRC_BYTES);
  if (!frames.ok) return { refusedBy: "frames", fault: frames.fault };
  const withoutToken = head.value.form === "long" && head.value.tokenFrom === 0;
  if (withoutToken !== isNoSession(frames.value)) return { refusedBy: "rule", fault: "" };
  return { head: headJson(head.value), frames: frames.value.map(frameJson) };
}

/** Writes anew what a datagram decodes to. */
function encodedAgain(vector: AcceptedVector, datagram: Uint8Array): Uint8Array {
  const head = decodeHead(datagram);
  if (!head.ok) throw new Error(head.fault);
  const frames = decodeFrames(datagram, head.value.headBytes, datagram.length - CRC_BYTES);
  if (!frames.ok) throw new Error(frames.fault);
  const ask = vector.head.ask as Ask;
  const [to, from, number] = [vector.tokenTo, vector.tokenFrom, vector.number].map((digits) =>
    Number.parseInt(digits, 16),
  ) as [number, number, number];
  const out = new ByteWriter(new Uint8Array(datagram.length));
  if (vector.head.form === "short") encodeShortHead(out, ask, number);
  else encodeLongHead(out, ask, from, to, number);
  frames.value.forEach((frame, index) => {
    encodeFrame(out, frame, index === frames.value.length - 1);
  });
  return sealDatagram(out, to, from, number);
}

const accepted = [...load<AcceptedVector>("heads"), ...load<AcceptedVector>("frames")];
const refused = load<RefusedVector>("refusals");

describe("vectors", () => {
  it.each(Object.entries(files))("%s.json is what make.ts writes", (name, vectors) => {
    expect(textOf(name)).toBe(render(vectors));
  });

  it("have names of their own and a section", () => {
    const all = [...accepted, ...refused];
    expect(new Set(all.map((vector) => vector.name)).size).toBe(all.length);
    for (const vector of all) {
      expect(vector.section).toMatch(/^\d(\.\d)?$/);
      expect(vector.meaning).not.toBe("");
    }
  });

  it("hold every frame type, both forms, every ask and every fault", () => {
    const types = new Set(accepted.flatMap((vector) => vector.frames.map((frame) => frame.type)));
    expect([...types].sort()).toEqual([
      "ack",
      "close",
      "data",
      "extension",
      "hello",
      "loose",
      "no-session",
      "skip",
      "stop",
    ]);
    const heads = new Set(accepted.map((vector) => `${vector.head.form} ${vector.head.ask}`));
    expect([...heads].filter((head) => head.startsWith("short"))).toHaveLength(4);
    expect([...heads].filter((head) => head.startsWith("long"))).toHaveLength(3);
    const faults = new Set(refused.map((vector) => vector.fault));
    expect([...faults].sort()).toEqual([
      "",
      "bad-value",
      "other-version",
      "protected",
      "reserved-bit",
      "too-short",
      "truncated",
      "unknown-form",
      "unknown-frame",
    ]);
  });
});

describe("accepted", () => {
  it.each(accepted)("$section $name", (vector) => {
    const datagram = bytesOf(vector.hex);
    const { head, frames } = vector;
    expect(verdict(vector, datagram)).toEqual({ head, frames });
    if (head.form === "short") {
      expect(vector.number.slice(4)).toBe(head.numberLow.toString(16).padStart(4, "0"));
    }
  });

  it.each(accepted)("$section $name, at an offset in a larger array", (vector) => {
    const bytes = bytesOf(vector.hex);
    const larger = new Uint8Array(bytes.length + 40).fill(0xff);
    larger.set(bytes, 7);
    const { head, frames } = vector;
    const datagram = larger.subarray(7, 7 + bytes.length);
    expect(verdict(vector, datagram)).toEqual({ head, frames });
  });

  it.each(accepted.filter((vector) => vector.canonical))("$section $name, encoded", (vector) => {
    expect(hexOf(encodedAgain(vector, bytesOf(vector.hex)))).toBe(vector.hex);
  });

  it.each(accepted.filter((vector) => !vector.canonical))(
    "$section $name, encoded in the usual way",
    (vector) => {
      const again = encodedAgain(vector, bytesOf(vector.hex));
      const { head, frames } = vector;
      if (hexOf(again) !== vector.hex) {
        expect(again.length).toBeLessThan(vector.hex.length / 2);
      }
      expect(verdict(vector, again)).toEqual({ head, frames });
    },
  );

  it.each(accepted)("$section $name, with a byte missing or added, is dropped", (vector) => {
    const datagram = bytesOf(vector.hex);
    expect(verdict(vector, datagram.subarray(0, -1))).toHaveProperty("refusedBy");
    for (let added = 0; added < 256; added++) {
      expect(crcFits(vector, Uint8Array.from([...datagram, added]))).toBe(false);
    }
  });
});

describe("refused", () => {
  it.each(refused)("$section $name", (vector) => {
    const { refusedBy, fault } = vector;
    expect(verdict(vector, bytesOf(vector.hex))).toEqual({ refusedBy, fault });
  });

  it.each(refused)("$section $name is still described", (vector) => {
    const text = describeDatagram(bytesOf(vector.hex));
    // Sessions refuse what belongs to none; section 15 reads it.
    expect(text).toContain(vector.hex.startsWith("60") ? "without session" : vector.fault);
    expect(text).not.toMatch(/undefined|NaN/);
  });
});

describe("primitives", () => {
  interface ChecksumVector {
    name: string;
    hex: string;
    crc16: string;
    crc32: string;
  }
  interface VarintVector {
    name: string;
    hex: string;
    value: number;
    canonical: boolean;
  }

  it.each(load<ChecksumVector>("checksums"))("checksums of $name", (vector) => {
    const bytes = bytesOf(vector.hex);
    const crc16 = ~updateCrc16(CRC16_START, bytes, 0, bytes.length) & 0xffff;
    expect(crc16.toString(16).padStart(4, "0")).toBe(vector.crc16);
    expect(hex32(updateCrc32(0, bytes))).toBe(vector.crc32);
  });

  it.each(load<VarintVector>("varints"))("$name", ({ hex, value, canonical }) => {
    expect(new ByteReader(bytesOf(hex)).varint()).toBe(value);
    if (!canonical) return;
    const out = new ByteWriter(new Uint8Array(varintBytes(value)));
    out.varint(value);
    expect(hexOf(out.bytes)).toBe(hex);
  });
});
