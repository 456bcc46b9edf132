import fc from "fast-check";
import { describe, expect, it } from "vitest";
// From the sources: the entry of core for tools gives words only, and those are held to the decoder.
import {
  ByteWriter,
  CRC_BYTES,
  crcMatches,
  decodeFrames,
  decodeHead,
  encodeFrame,
  encodeLongHead,
  encodePad,
  encodeShortHead,
  type Frame,
  sealDatagram,
} from "../../../core/src/wire/index.js";
import { datagramWords } from "./datagram-words.js";

const u16 = fc.nat({ max: 0xffff });
const nibble = fc.nat({ max: 15 });
const someBytes = fc.uint8Array({ minLength: 1, maxLength: 20 });

const anyFrame: fc.Arbitrary<Frame> = fc.oneof(
  fc.record({
    type: fc.constant("data" as const),
    channel: nibble,
    fragment: u16,
    first: fc.constant(true),
    last: fc.constant(true),
    total: fc.constant(0),
    crc32: fc.constant(0),
    bytes: someBytes,
  }),
  fc.record({
    type: fc.constant("ack" as const),
    channel: nibble,
    largest: u16,
    next: u16,
    window: fc.constant(64),
    prompt: fc.boolean(),
    truncated: fc.constant(false),
    map: fc.constant(Uint8Array.of(0x81)),
  }),
  fc.record({ type: fc.constant("skip" as const), channel: nibble, next: u16 }),
  fc.constant({ type: "hello" as const, version: 1, mtuBytes: 250, window: 64 }),
  fc.record({
    type: fc.constant("stop" as const),
    channel: nibble,
    first: u16,
    reason: fc.nat({ max: 9 }),
  }),
  fc.record({ type: fc.constant("close" as const), reason: fc.nat({ max: 9 }) }),
  fc.record({
    type: fc.constant("loose" as const),
    lane: fc.nat({ max: 3 }),
    fragmented: fc.constant(false),
    id: fc.constant(0),
    index: fc.constant(0),
    last: fc.constant(true),
    crc32: fc.constant(0),
    bytes: someBytes,
  }),
  fc.record({ type: fc.constant("extension" as const), kind: nibble, bytes: someBytes }),
);

function longDatagram(frames: readonly Frame[], pads = 0): Uint8Array {
  const out = new ByteWriter(new Uint8Array(1000));
  encodeLongHead(out, 1, 0xa1b2c3d4, 5, 0xa1b2);
  if (pads > 0) encodePad(out, pads);
  frames.forEach((frame, index) => {
    encodeFrame(out, frame, index === frames.length - 1);
  });
  return sealDatagram(out, 5, 0xa1b2c3d4, 0xa1b2);
}

/** What the decoder says of the same bytes. */
function namesByDecoder(datagram: Uint8Array): Set<string> {
  const head = decodeHead(datagram);
  if (!head.ok) return new Set(["unreadable"]);
  const { value } = head;
  const frames = decodeFrames(datagram, value.headBytes, datagram.length - CRC_BYTES);
  const isGood =
    value.form === "short" || crcMatches(datagram, value.tokenTo, value.tokenFrom, value.number);
  if (!frames.ok || !isGood) return new Set(["unreadable"]);
  return new Set(frames.value.length === 0 ? ["none"] : frames.value.map(({ type }) => type));
}

describe("datagramWords", () => {
  it("names the frames that the decoder finds, in whatever company", () => {
    const anyCompany = fc.array(anyFrame, { maxLength: 5 });
    fc.assert(
      fc.property(anyCompany, fc.nat({ max: 2 }), (frames, pads) => {
        const datagram = longDatagram(frames, pads);
        const words = datagramWords(datagram);
        expect(words.names).toEqual(namesByDecoder(datagram));
        expect(words.names.has("unreadable")).toBe(false);
        expect(words.frames).toHaveLength(frames.length + (pads > 0 ? 1 : 0));
        expect(words.number).toEqual({ form: "long", tokenFrom: 0xa1b2c3d4, number: 0xa1b2 });
      }),
    );
  });

  it("knows the short form, and a datagram that has only a number", () => {
    const out = new ByteWriter(new Uint8Array(100));
    encodeShortHead(out, 1, 0x12abcd);
    const datagram = sealDatagram(out, 1, 2, 0x12abcd);
    expect(datagramWords(datagram)).toMatchObject({
      names: new Set(["none"]),
      number: { form: "short", low: 0xabcd },
    });
  });

  it("agrees with the decoder about any bytes, and about datagrams with a flipped bit", () => {
    const damaged = fc
      .tuple(fc.array(anyFrame, { maxLength: 3 }), fc.nat(), fc.nat({ max: 7 }))
      .map(([frames, at, bit]) => {
        const datagram = longDatagram(frames).slice();
        const index = at % datagram.length;
        datagram[index] = (datagram[index] ?? 0) ^ (1 << bit);
        return datagram;
      });
    const headed = fc
      .tuple(fc.constantFrom(0x40, 0x50, 0x51), fc.uint8Array({ maxLength: 60 }))
      .map(([first, rest]) => Uint8Array.of(first, ...rest));
    fc.assert(
      fc.property(fc.oneof(damaged, headed, fc.uint8Array({ maxLength: 60 })), (datagram) => {
        const words = datagramWords(datagram);
        expect(words.names).toEqual(namesByDecoder(datagram));
        expect(words.number === undefined).toBe(words.names.has("unreadable"));
      }),
      { numRuns: 1000 },
    );
  });
});
