import { describe, expect, it } from "vitest";
import {
  type BridgeFrame,
  decodeBridgeFrame,
  decodeHostFrame,
  encodeBridgeFrame,
  encodeHostFrame,
  type HostFrame,
} from "../packages/serial-bridge/src/bridge-frames.js";
import { describeBridgeFrame } from "../packages/serial-bridge/src/describe-bridge-frame.js";
import { FrameReader } from "../packages/serial-bridge/src/frame-reader.js";
import { TYPE_NAMES } from "../packages/serial-bridge/src/frame-types.js";
import { frameBytes } from "../packages/serial-bridge/src/frame-writer.js";
import type {
  BridgeFrameJson,
  BridgeFrameVector,
  BridgeLineVector,
  BridgeRefusalVector,
  BridgeVector,
} from "./vectors/bridge-vector.js";
import { render } from "./vectors/make.js";
import { bridgeFiles } from "./vectors/make-bridge.js";
import { bytesOf, hexOf, load, textOf } from "./vectors/read.js";

const accepted = load<BridgeFrameVector>("bridge-frames");
const refused = load<BridgeRefusalVector>("bridge-refusals");
const lines = load<BridgeLineVector>("bridge-lines");

function impliedBy({ impliedHex }: { impliedHex?: string }): Uint8Array | undefined {
  return impliedHex === undefined ? undefined : bytesOf(impliedHex);
}

function decode(vector: BridgeVector) {
  const { direction, bodyHex, addressBytes } = vector;
  const codec = direction === "to-bridge" ? decodeHostFrame : decodeBridgeFrame;
  return codec(bytesOf(bodyHex), addressBytes, impliedBy(vector));
}

function encode(frame: HostFrame | BridgeFrame): Uint8Array {
  switch (frame.type) {
    case "hello-request":
    case "send":
    case "channel-request":
    case "status-request":
    case "statistics-request":
    case "goodbye":
      return encodeHostFrame(frame);
    default:
      return encodeBridgeFrame(frame);
  }
}

/** As the files have it. */
function frameJson(frame: object): BridgeFrameJson {
  const isId = (name: string) => name === "host" || name === "bridge";
  const text = JSON.stringify(frame, (name: string, value: unknown) => {
    if (value instanceof Uint8Array) return hexOf(value);
    if (value === undefined) return null;
    return isId(name) ? Number(value).toString(16).padStart(8, "0") : value;
  });
  return JSON.parse(text) as BridgeFrameJson;
}

interface Found {
  readonly bodiesHex: readonly string[];
  readonly damaged: number;
  readonly tooLong: number;
}

type LineVector = Pick<BridgeLineVector, "framing" | "bodyBytesMax" | "impliedHex">;

/** What a reader finds in bytes that come in these pieces. */
function found(vector: LineVector, pieces: readonly Uint8Array[]): Found {
  const reader = new FrameReader(vector.framing, vector.bodyBytesMax, (type) =>
    type === 0x03 || type === 0x83 ? impliedBy(vector) : undefined,
  );
  const bodiesHex: string[] = [];
  for (const piece of pieces) {
    reader.push(piece, { onFrame: (body) => bodiesHex.push(hexOf(body)) });
  }
  const { damaged, tooLong } = reader.counts;
  return { bodiesHex, damaged, tooLong };
}

function singly(bytes: Uint8Array): Uint8Array[] {
  return Array.from(bytes, (byte) => Uint8Array.of(byte));
}

const onLine = (vector: BridgeVector) => ({ ...vector, bodyBytesMax: 1600 });

describe("the bridge's vectors", () => {
  it.each(Object.entries(bridgeFiles))("%s.json is what make-bridge.ts writes", (name, vectors) => {
    expect(textOf(name)).toBe(render(vectors));
  });

  it("have names of their own and a section", () => {
    for (const vectors of [[...accepted, ...refused], lines]) {
      expect(new Set(vectors.map(({ name }) => name)).size).toBe(vectors.length);
      for (const { section } of vectors) expect(section).toMatch(/^\d(\.\d)?$/);
    }
  });

  it("hold every type, both framings, every outcome and every fault", () => {
    const types = new Set(accepted.map(({ bodyHex }) => bytesOf(bodyHex)[0]));
    expect([...types].sort()).toEqual([...TYPE_NAMES.keys()].sort());
    expect(new Set(accepted.map(({ framing }) => framing))).toEqual(new Set(["cobs", "slip"]));
    expect(new Set(lines.map(({ framing }) => framing))).toEqual(new Set(["cobs", "slip"]));
    const text = textOf("bridge-frames");
    for (const code of ["sent", "acknowledged", "not-acknowledged", "queue-full"]) {
      expect(text).toContain(`"outcome": "${code}"`);
    }
    for (const code of ["lost-on-line", "unknown", "not-taken"]) {
      expect(text).toContain(`"outcome": "${code}"`);
    }
    expect(new Set(refused.map(({ fault }) => fault))).toEqual(
      new Set(["unknown-type", "malformed"]),
    );
  });
});

describe("accepted", () => {
  it.each(accepted)("$section $name, decoded", (vector) => {
    const decoded = decode(vector);
    expect(decoded.ok && frameJson(decoded.value)).toEqual(vector.frame);
  });

  it.each(accepted.filter(({ canonical }) => canonical))("$section $name, encoded", (vector) => {
    const decoded = decode(vector);
    expect(decoded.ok && hexOf(encode(decoded.value))).toBe(vector.bodyHex);
  });

  it.each(accepted)("$section $name, framed", (vector) => {
    const { bodyHex, framing, lineHex } = vector;
    const seed = impliedBy(vector);
    const bytes = frameBytes(bytesOf(bodyHex), { framing, leadingDelimiter: false, seed });
    expect(hexOf(bytes)).toBe(lineHex);
  });

  it.each(accepted)(
    "$section $name, on a line: whole, singly, before and after others",
    (vector) => {
      const bytes = bytesOf(vector.lineHex);
      const once = { bodiesHex: [vector.bodyHex], damaged: 0, tooLong: 0 };
      expect(found(onLine(vector), [bytes])).toEqual(once);
      expect(found(onLine(vector), singly(bytes))).toEqual(once);
      const trailing = Uint8Array.of(...bytes, ...bytes.subarray(0, -1));
      expect(found(onLine(vector), [trailing])).toEqual(once);
      const garbage = Uint8Array.of(0x55, 0xff, 0x11, bytes.at(-1)!, ...bytes);
      expect(found(onLine(vector), [garbage])).toEqual({ ...once, damaged: 1 });
    },
  );
});

describe("refused", () => {
  it.each(refused)("$section $name", (vector) => {
    expect(decode(vector)).toEqual({ ok: false, fault: vector.fault });
    // The frame itself is undamaged.
    expect(found(onLine(vector), [bytesOf(vector.lineHex)])).toMatchObject({
      bodiesHex: [vector.bodyHex],
    });
  });

  it.each([...accepted, ...refused])("$section $name is described", (vector) => {
    const text = describeBridgeFrame(bytesOf(vector.bodyHex), vector.addressBytes);
    expect(text).not.toMatch(/undefined|NaN|\n/);
  });
});

describe("lines", () => {
  it.each(lines)("$section $name", (vector) => {
    const { bodiesHex, damaged, tooLong } = vector;
    const bytes = bytesOf(vector.lineHex);
    expect(found(vector, [bytes])).toEqual({ bodiesHex, damaged, tooLong });
    expect(found(vector, singly(bytes))).toEqual({ bodiesHex, damaged, tooLong });
  });
});
