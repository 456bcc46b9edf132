import fc from "fast-check";
import { ACK_MAP_BYTES_MAX } from "../src/wire/ack-frame.js";
import type { Frame } from "../src/wire/frames.js";

/** Frames of every type, for property tests. */

const nibble = fc.integer({ min: 0, max: 15 });
const u8 = fc.integer({ min: 0, max: 0xff });
const u16 = fc.integer({ min: 0, max: 0xffff });
const u32 = fc.integer({ min: 0, max: 0xffffffff });
/** Both sides of every boundary of the varint length. */
const payload = fc.oneof(fc.uint8Array({ maxLength: 70 }), fc.uint8Array({ maxLength: 300 }));

const data: fc.Arbitrary<Frame> = fc
  .record({
    channel: nibble,
    fragment: u16,
    first: fc.boolean(),
    last: fc.boolean(),
    total: fc.oneof(fc.constant(0), fc.nat(20_000), fc.maxSafeNat()),
    crc32: u32,
    bytes: payload,
  })
  .filter(({ first, last, bytes }) => first || last || bytes.length > 0)
  .map((frame) => ({
    type: "data",
    ...frame,
    total: frame.first && !frame.last ? frame.total : 0,
    crc32: frame.last && !frame.first ? frame.crc32 : 0,
  }));

const looseWhole: fc.Arbitrary<Frame> = fc
  .record({ lane: fc.nat(3), bytes: payload })
  .map(({ lane, bytes }) => ({
    type: "loose",
    lane,
    fragmented: false,
    id: 0,
    index: 0,
    last: true,
    crc32: 0,
    bytes,
  }));

const looseFragment: fc.Arbitrary<Frame> = fc
  .record({
    lane: fc.nat(3),
    id: u16,
    index: fc.nat(127),
    last: fc.boolean(),
    crc32: u32,
    bytes: payload,
  })
  .filter(({ index, last, bytes }) => last || (bytes.length > 0 && index < 127))
  .map((frame) => ({
    type: "loose",
    fragmented: true,
    ...frame,
    crc32: frame.last ? frame.crc32 : 0,
  }));

/** Any frame but NO-SESSION, which stands alone. */
export const frame: fc.Arbitrary<Frame> = fc.oneof(
  { arbitrary: data, weight: 3 },
  fc.record({
    type: fc.constant("ack" as const),
    channel: nibble,
    largest: u16,
    next: u16,
    window: u8,
    prompt: fc.boolean(),
    truncated: fc.boolean(),
    map: fc.uint8Array({ maxLength: ACK_MAP_BYTES_MAX }),
  }),
  fc.record({ type: fc.constant("skip" as const), channel: nibble, next: u16 }),
  fc.record({ type: fc.constant("stop" as const), channel: nibble, first: u16, reason: u8 }),
  fc.record({
    type: fc.constant("hello" as const),
    version: fc.integer({ min: 1, max: 15 }),
    mtuBytes: fc.integer({ min: 20, max: 65_535 }),
    window: fc.integer({ min: 1, max: 255 }),
  }),
  fc.record({ type: fc.constant("close" as const), reason: u8 }),
  looseWhole,
  looseFragment,
  fc.record({
    type: fc.constant("extension" as const),
    kind: nibble,
    bytes: fc.uint8Array({ maxLength: 255 }),
  }),
);
