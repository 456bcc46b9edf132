import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  type BridgeFacts,
  type BridgeFrame,
  decodeBridgeFrame,
  encodeBridgeFrame,
  type HelloFrame,
  type TokenOutcome,
} from "./bridge-frames.js";
import { HOST_BODY_BYTES_MIN } from "./limits.js";

const ADDRESS_BYTES = 6;
const u8 = fc.integer({ min: 0, max: 255 });
const request = fc.integer({ min: 1, max: 255 });
const u32 = fc.integer({ min: 0, max: 2 ** 32 - 1 });
const id = fc.integer({ min: 1, max: 2 ** 32 - 1 });
const address = fc.uint8Array({ minLength: ADDRESS_BYTES, maxLength: ADDRESS_BYTES });
const datagram = fc.uint8Array({ maxLength: 250 });
const outcomes: readonly TokenOutcome[] = [
  "sent",
  "acknowledged",
  "not-acknowledged",
  "queue-full",
  "lost-on-line",
  "unknown",
  "not-taken",
];

const facts: fc.Arbitrary<BridgeFacts> = fc.record({
  mtuBytes: fc.integer({ min: 20, max: 1500 }),
  queue: fc.integer({ min: 1, max: 64 }),
  peersMax: u8,
  canBroadcast: fc.boolean(),
  canSetChannel: fc.boolean(),
  tellsAcknowledgement: fc.boolean(),
  channel: u8,
  airtimeFixedUs: fc.integer({ min: 0, max: 65_535 }),
  airtimePerByteNs: u32,
  address: fc.uint8Array({ minLength: 1, maxLength: 18 }),
  // Up to 64 bytes of UTF-8.
  name: fc.string({ unit: "binary", maxLength: 16 }),
});

const bridgeFrame: fc.Arbitrary<BridgeFrame> = fc.oneof(
  fc.record({
    type: fc.constant("hello" as const),
    versionMin: fc.constant(1),
    versionMax: request,
    host: u32,
    bridge: id,
    facts,
  }),
  fc.record({
    type: fc.constant("received" as const),
    sequence: u8,
    rssiDbm: fc.option(fc.integer({ min: -127, max: 127 }), { nil: undefined }),
    from: address,
    datagram,
    again: fc.boolean(),
  }),
  fc.record({
    type: fc.constant("channel" as const),
    request: u8,
    result: fc.constantFrom("set", "not-allowed", "busy", "cannot"),
    channel: u8,
  }),
  fc.record({
    type: fc.constant("status" as const),
    request: u8,
    nextToken: u8,
    outcomes: fc.array(fc.record({ token: u8, outcome: fc.constantFrom(...outcomes) }), {
      maxLength: 64,
    }),
  }),
  fc.record({
    type: fc.constant("statistics" as const),
    request,
    counts: fc.array(u32, { maxLength: 50 }),
  }),
  fc.record({
    type: fc.constant("log" as const),
    level: fc.integer({ min: 0, max: 7 }),
    text: fc.string({ unit: "binary", maxLength: 50 }),
  }),
);

const HELLO: HelloFrame = {
  type: "hello",
  versionMin: 1,
  versionMax: 1,
  host: 0x9a3f0001,
  bridge: 0x51c00001,
  facts: {
    mtuBytes: 250,
    queue: 4,
    peersMax: 20,
    canBroadcast: true,
    canSetChannel: false,
    tellsAcknowledgement: true,
    channel: 6,
    airtimeFixedUs: 896,
    airtimePerByteNs: 8000,
    address: Uint8Array.of(2, 0, 0, 0, 0, 0xb1),
    name: "orchard",
  },
};

/** {@link HELLO} with bytes changed, and what becomes of it. */
function helloWith(changes: Readonly<Record<number, number>>) {
  const body = encodeBridgeFrame(HELLO);
  for (const [at, byte] of Object.entries(changes)) body[Number(at)] = byte;
  return decodeBridgeFrame(body, 0, undefined);
}

describe("frames of the bridge", () => {
  it("decode to what was encoded, and fit into the least room for a body", () => {
    fc.assert(
      fc.property(bridgeFrame, (frame) => {
        const body = encodeBridgeFrame(frame);
        const decoded = decodeBridgeFrame(
          body,
          ADDRESS_BYTES,
          frame.type === "received" ? frame.from : undefined,
        );
        expect(decoded).toEqual({ ok: true, value: frame });
        if (frame.type !== "received") expect(body.length).toBeLessThanOrEqual(HOST_BODY_BYTES_MIN);
      }),
    );
  });

  it("are refused when a byte is missing, but for lists, texts and datagrams", () => {
    fc.assert(
      fc.property(bridgeFrame, (frame) => {
        const body = encodeBridgeFrame(shortest(frame));
        for (let length = 1; length < body.length; length++) {
          const decoded = decodeBridgeFrame(
            body.subarray(0, length),
            ADDRESS_BYTES,
            HELLO.facts!.address,
          );
          expect(decoded).toEqual({ ok: false, fault: "malformed" });
        }
      }),
    );
  });

  /** Without what may end early. */
  function shortest(frame: BridgeFrame): BridgeFrame {
    switch (frame.type) {
      case "hello":
        return { ...frame, facts: frame.facts && { ...frame.facts, name: "" } };
      case "received":
        return { ...frame, datagram: new Uint8Array(0) };
      case "status":
        return { ...frame, outcomes: [] };
      case "statistics":
        return { ...frame, counts: [] };
      case "log":
        return { ...frame, text: "" };
      case "channel":
        return frame;
    }
  }

  it.each([
    ["version 0", { 1: 0 }],
    ["versions from 2 to 1", { 1: 2 }],
    ["bridge 0", { 7: 0, 8: 0, 9: 0, 10: 0 }],
    ["mtuBytes 19", { 11: 0, 12: 19 }],
    ["mtuBytes 1501", { 11: 0x05, 12: 0xdd }],
    ["queue 0", { 13: 0 }],
    ["queue 65", { 13: 65 }],
    ["an address of 0 bytes", { 15: 0 }],
    ["an address of 19 bytes", { 15: 19 }],
    ["an address longer than the body", { 15: 14 }],
  ])("HELLO is refused with %s", (_, changes) => {
    expect(helloWith(changes)).toEqual({ ok: false, fault: "malformed" });
  });

  it.each([
    ["mtuBytes 20", { 11: 0, 12: 20 }],
    ["mtuBytes 1500", { 11: 0x05, 12: 0xdc }],
    ["queue 64", { 13: 64 }],
    ["an address of 1 byte", { 15: 1 }],
    ["abilities that are not known", { 16: 0xfd }],
  ])("HELLO is taken with %s", (_, changes) => {
    expect(helloWith(changes).ok).toBe(true);
  });

  it("HELLO of other versions has the fields that never change, and no others", () => {
    const decoded = helloWith({ 1: 2, 2: 7, 11: 0, 12: 0, 13: 0 });
    const value = { ...HELLO, versionMin: 2, versionMax: 7, facts: undefined };
    expect(decoded).toEqual({ ok: true, value });
    const short = encodeBridgeFrame({ ...HELLO, versionMin: 2, versionMax: 7, facts: undefined });
    expect(short).toHaveLength(11);
    expect(decodeBridgeFrame(short, 0, undefined)).toEqual({ ok: true, value });
  });

  it("HELLO's address outlives the body, which belongs to the reader", () => {
    const body = encodeBridgeFrame(HELLO);
    const decoded = decodeBridgeFrame(body, 0, undefined);
    body.fill(0);
    expect(decoded).toEqual({ ok: true, value: HELLO });
  });

  it.each([
    ["RECEIVED without an address", [0x82, 0, 0xc4, 1, 2, 3, 4, 5]],
    ["RECEIVED-AGAIN when no address is implied", [0x83, 0, 0xc4, 1, 2]],
    ["CHANNEL with result 4", [0x84, 1, 4, 6]],
    ["STATISTICS of request 0", [0x86, 0]],
  ])("refuse %s", (_, body) => {
    const decoded = decodeBridgeFrame(Uint8Array.from(body), ADDRESS_BYTES, undefined);
    expect(decoded).toEqual({ ok: false, fault: "malformed" });
  });

  it("refuse RECEIVED before a HELLO has told the length of addresses", () => {
    const body = Uint8Array.of(0x82, 0, 0xc4, 1, 2, 3, 4, 5, 6, 7);
    expect(decodeBridgeFrame(body, 0, undefined)).toEqual({ ok: false, fault: "malformed" });
  });

  it.each([[[]], [[0]], [[0x80]], [[0x88, 1]], [[1, 1, 1, 0, 0, 0, 1]]])(
    "do not know the type of %j",
    (body) => {
      const decoded = decodeBridgeFrame(Uint8Array.from(body), ADDRESS_BYTES, undefined);
      expect(decoded).toEqual({ ok: false, fault: "unknown-type" });
    },
  );

  it("STATUS takes other outcomes as unknown, and no half pair", () => {
    const body = Uint8Array.of(0x85, 0, 9, 8, 0, 7, 8, 6, 255, 5);
    expect(decodeBridgeFrame(body, ADDRESS_BYTES, undefined)).toMatchObject({
      value: { outcomes: [8, 7, 6].map((token) => ({ token, outcome: "unknown" })) },
    });
  });

  it("STATISTICS takes no part of a count", () => {
    const body = Uint8Array.of(0x86, 1, 0, 0, 1, 0, 9, 9, 9);
    expect(decodeBridgeFrame(body, ADDRESS_BYTES, undefined)).toMatchObject({
      value: { counts: [256] },
    });
  });

  it("STATISTICS wraps its counts", () => {
    const counts = [2 ** 32, 2 ** 32 + 5, 2 ** 40 - 1];
    const body = encodeBridgeFrame({ type: "statistics", request: 1, counts });
    expect(decodeBridgeFrame(body, ADDRESS_BYTES, undefined)).toMatchObject({
      value: { counts: [0, 5, 2 ** 32 - 1] },
    });
  });

  it.each([
    [undefined, undefined],
    [Number.NaN, undefined],
    [-128, -127],
    [-300, -127],
    [Number.NEGATIVE_INFINITY, -127],
    [-61.4, -61],
    [200, 127],
    [0, 0],
  ])("RECEIVED tells an RSSI of %s as %s", (rssiDbm, expected) => {
    const from = HELLO.facts!.address;
    const frame = { type: "received", sequence: 0, rssiDbm, from, datagram: from } as const;
    const body = encodeBridgeFrame({ ...frame, again: false });
    const decoded = decodeBridgeFrame(body, ADDRESS_BYTES, undefined);
    expect(decoded.ok && decoded.value).toMatchObject({ rssiDbm: expected });
  });

  it("texts are cut where their limit is, by whoever reads them, too", () => {
    const text = "é".repeat(150);
    const body = encodeBridgeFrame({ type: "log", level: 6, text });
    expect(body).toHaveLength(2 + 200);
    const long = Uint8Array.of(0x87, 6, 0x61, ...new TextEncoder().encode(text));
    expect(decodeBridgeFrame(long, 0, undefined)).toMatchObject({
      value: { text: `a${"é".repeat(99)}` },
    });
    const facts = { ...HELLO.facts!, name: text };
    const decoded = decodeBridgeFrame(encodeBridgeFrame({ ...HELLO, facts }), 0, undefined);
    expect(decoded).toMatchObject({ value: { facts: { name: "é".repeat(32) } } });
  });

  it("LOG takes a level that does not exist as the least severe", () => {
    const decoded = decodeBridgeFrame(Uint8Array.of(0x87, 200, 0x61), 0, undefined);
    expect(decoded).toEqual({ ok: true, value: { type: "log", level: 7, text: "a" } });
  });

  const bad = (changes: Partial<BridgeFacts>): BridgeFrame => ({
    ...HELLO,
    facts: { ...HELLO.facts!, ...changes },
  });
  it.each<BridgeFrame>([
    { ...HELLO, versionMin: 2 },
    { ...HELLO, bridge: 0 },
    { ...HELLO, host: -1 },
    bad({ mtuBytes: 19 }),
    bad({ mtuBytes: 1501 }),
    bad({ queue: 0 }),
    bad({ queue: 65 }),
    bad({ peersMax: 256 }),
    bad({ address: new Uint8Array(0) }),
    bad({ address: new Uint8Array(19) }),
    bad({ channel: -1 }),
    bad({ airtimeFixedUs: 65_536 }),
    bad({ airtimePerByteNs: 2 ** 32 }),
    { type: "status", request: 256, nextToken: 0, outcomes: [] },
    { type: "status", request: 0, nextToken: 256, outcomes: [] },
    { type: "status", request: 0, nextToken: 0, outcomes: [{ token: 256, outcome: "sent" }] },
    {
      type: "status",
      request: 0,
      nextToken: 0,
      outcomes: Array(65).fill({ token: 0, outcome: "sent" }),
    },
    { type: "statistics", request: 0, counts: [] },
    { type: "statistics", request: 1, counts: [-1] },
    { type: "statistics", request: 1, counts: Array(51).fill(0) },
    { type: "log", level: 8, text: "" },
    { type: "channel", request: 0, result: "set", channel: 256 },
  ])("that cannot be are not encoded: %j", (frame) => {
    expect(() => encodeBridgeFrame(frame)).toThrow(RangeError);
  });
});
