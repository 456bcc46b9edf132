import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeHostFrame, encodeHostFrame, type HostFrame } from "./bridge-frames.js";

const ADDRESS_BYTES = 6;
const u8 = fc.integer({ min: 0, max: 255 });
const request = fc.integer({ min: 1, max: 255 });
const id = fc.integer({ min: 1, max: 2 ** 32 - 1 });
const address = fc.uint8Array({ minLength: ADDRESS_BYTES, maxLength: ADDRESS_BYTES });
const datagram = fc.uint8Array({ maxLength: 250 });
const versions = fc.tuple(request, request).map(([one, other]) => ({
  versionMin: Math.min(one, other),
  versionMax: Math.max(one, other),
}));
const hostFrame: fc.Arbitrary<HostFrame> = fc.oneof(
  fc.record({ versions, host: id }).map(({ versions: { versionMin, versionMax }, host }) => ({
    type: "hello-request" as const,
    versionMin,
    versionMax,
    host,
  })),
  fc.record({
    type: fc.constant("send" as const),
    token: u8,
    to: address,
    datagram,
    again: fc.boolean(),
  }),
  fc.record({ type: fc.constant("channel-request" as const), request, channel: request }),
  fc.record({ type: fc.constant("status-request" as const), request }),
  fc.record({ type: fc.constant("statistics-request" as const), request }),
  fc.constant({ type: "goodbye" as const }),
);

const STATION = Uint8Array.of(2, 0, 0, 0, 0, 0x11);

describe("frames of the host", () => {
  it("decode to what was encoded", () => {
    fc.assert(
      fc.property(hostFrame, (frame) => {
        const decoded = decodeHostFrame(
          encodeHostFrame(frame),
          ADDRESS_BYTES,
          frame.type === "send" ? frame.to : undefined,
        );
        expect(decoded).toEqual({ ok: true, value: frame });
      }),
    );
  });

  it("may have more bytes than their fields, except where the last one runs to the end", () => {
    fc.assert(
      fc.property(
        hostFrame.filter(({ type }) => type !== "send"),
        fc.uint8Array({ maxLength: 10 }),
        (frame, more) => {
          const body = Uint8Array.of(...encodeHostFrame(frame), ...more);
          expect(decodeHostFrame(body, ADDRESS_BYTES, undefined)).toEqual({
            ok: true,
            value: frame,
          });
        },
      ),
    );
  });

  it("are refused when a byte is missing", () => {
    fc.assert(
      fc.property(hostFrame, (frame) => {
        const withoutRest =
          frame.type === "send" ? { ...frame, datagram: new Uint8Array(0) } : frame;
        const body = encodeHostFrame(withoutRest);
        for (let length = 1; length < body.length; length++) {
          const decoded = decodeHostFrame(body.subarray(0, length), ADDRESS_BYTES, STATION);
          expect(decoded).toEqual({ ok: false, fault: "malformed" });
        }
      }),
    );
  });

  it.each([
    ["HELLO? of host 0", [1, 1, 1, 0, 0, 0, 0]],
    ["HELLO? of version 0", [1, 0, 1, 0, 0, 0, 9]],
    ["HELLO? of versions from 2 to 1", [1, 2, 1, 0, 0, 0, 9]],
    ["SEND without an address", [2, 7, 1, 1, 1, 1, 1]],
    ["SEND-AGAIN when no address is implied", [3, 7, 1, 2, 3]],
    ["CHANNEL? of request 0", [4, 0, 6]],
    ["CHANNEL? of channel 0", [4, 1, 0]],
    ["STATUS? of request 0", [5, 0]],
    ["STATISTICS? of request 0", [6, 0]],
  ])("refuse %s", (_, body) => {
    const decoded = decodeHostFrame(Uint8Array.from(body), ADDRESS_BYTES, undefined);
    expect(decoded).toEqual({ ok: false, fault: "malformed" });
  });

  it.each([[[]], [[0]], [[8, 1]], [[0x81, 1]], [[0xff]]])("do not know the type of %j", (body) => {
    const decoded = decodeHostFrame(Uint8Array.from(body), ADDRESS_BYTES, undefined);
    expect(decoded).toEqual({ ok: false, fault: "unknown-type" });
  });

  it.each<HostFrame>([
    { type: "hello-request", versionMin: 0, versionMax: 1, host: 1 },
    { type: "hello-request", versionMin: 2, versionMax: 1, host: 1 },
    { type: "hello-request", versionMin: 1, versionMax: 1, host: 0 },
    { type: "send", token: 256, to: STATION, datagram: STATION, again: false },
    { type: "send", token: 0, to: new Uint8Array(0), datagram: STATION, again: false },
    { type: "send", token: 0, to: new Uint8Array(19), datagram: STATION, again: false },
    { type: "channel-request", request: 0, channel: 1 },
    { type: "channel-request", request: 1, channel: 256 },
    { type: "status-request", request: 0 },
    { type: "statistics-request", request: 1.5 },
  ])("that cannot be are not encoded: %j", (frame) => {
    expect(() => encodeHostFrame(frame)).toThrow(RangeError);
  });
});
