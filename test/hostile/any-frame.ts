import fc from "fast-check";
import type { Frame } from "../../packages/core/src/wire/index.js";

const channel = fc.nat(15);
const u16 = fc.oneof(fc.constantFrom(0, 1, 0x7fff, 0x8000, 0xffff), fc.nat(0xffff));
const u32 = fc.oneof(fc.constantFrom(0, 0xffff_ffff), fc.nat(0xffff_ffff));
const total = fc.oneof(
  fc.constantFrom(
    0,
    63,
    64,
    16_383,
    16_384,
    2 ** 30 - 1,
    2 ** 30,
    2 ** 32 - 1,
    Number.MAX_SAFE_INTEGER,
  ),
  fc.nat(100_000),
);
const some = fc.uint8Array({ minLength: 1, maxLength: 90 });
const none = fc.constant(new Uint8Array(0));

const data = fc.oneof(
  fc.record({
    first: fc.constant(true),
    last: fc.constant(true),
    total: fc.constant(0),
    crc32: fc.constant(0),
    bytes: fc.oneof(some, none),
  }),
  fc.record({
    first: fc.constant(true),
    last: fc.constant(false),
    total,
    crc32: fc.constant(0),
    bytes: fc.oneof(some, none),
  }),
  fc.record({
    first: fc.constant(false),
    last: fc.constant(false),
    total: fc.constant(0),
    crc32: fc.constant(0),
    bytes: some,
  }),
  fc.record({
    first: fc.constant(false),
    last: fc.constant(true),
    total: fc.constant(0),
    crc32: u32,
    bytes: fc.oneof(some, none),
  }),
);

/** Every frame that can be written, with its numbers at their edges more often than not. */
export const anyFrame: fc.Arbitrary<Frame> = fc.oneof(
  fc
    .tuple(data, channel, u16)
    .map(([fields, c, fragment]): Frame => ({ type: "data", channel: c, fragment, ...fields })),
  fc.record({
    type: fc.constant("ack" as const),
    channel,
    largest: u16,
    next: u16,
    window: fc.nat(255),
    prompt: fc.boolean(),
    truncated: fc.boolean(),
    map: fc.uint8Array({ maxLength: 32 }),
  }),
  fc.record({ type: fc.constant("skip" as const), channel, next: u16 }),
  fc.record({ type: fc.constant("stop" as const), channel, first: u16, reason: fc.nat(255) }),
  fc.record({
    type: fc.constant("hello" as const),
    version: fc.integer({ min: 1, max: 15 }),
    mtuBytes: fc.integer({ min: 20, max: 65_535 }),
    window: fc.integer({ min: 1, max: 255 }),
  }),
  fc.record({ type: fc.constant("close" as const), reason: fc.nat(255) }),
  fc.record({
    type: fc.constant("extension" as const),
    kind: fc.nat(15),
    bytes: fc.uint8Array({ maxLength: 40 }),
  }),
  fc.tuple(fc.nat(3), u16, fc.nat(126), some).map(
    ([lane, id, index, bytes]): Frame => ({
      type: "loose",
      lane,
      fragmented: true,
      id,
      index,
      last: false,
      crc32: 0,
      bytes,
    }),
  ),
);
