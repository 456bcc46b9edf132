import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { encodeBridgeFrame, encodeHostFrame } from "./bridge-frames.js";
import { describeBridgeFrame } from "./describe-bridge-frame.js";

const STATION = Uint8Array.of(2, 0, 0, 0, 0, 0x11);
const DATAGRAM = Uint8Array.from(Buffer.from("41a1b2e000016f6b9e34", "hex"));
const FACTS = {
  mtuBytes: 1250,
  queue: 4,
  peersMax: 20,
  canBroadcast: true,
  canSetChannel: true,
  tellsAcknowledgement: true,
  channel: 6,
  airtimeFixedUs: 896,
  airtimePerByteNs: 8000,
  address: Uint8Array.of(2, 0, 0, 0, 0, 0xb1),
  name: "orchard bridge",
};
const HELLO = {
  type: "hello",
  versionMin: 1,
  versionMax: 2,
  host: 0x9a3f0001,
  bridge: 0x51c0,
  facts: FACTS,
} as const;

describe("describeBridgeFrame", () => {
  it.each([
    [
      encodeHostFrame({ type: "hello-request", versionMin: 1, versionMax: 1, host: 0x9a3f }),
      "HELLO? versions 1 to 1, host 00009a3f",
    ],
    [
      encodeHostFrame({ type: "channel-request", request: 3, channel: 11 }),
      "CHANNEL? request 3, channel 11",
    ],
    [encodeHostFrame({ type: "status-request", request: 4 }), "STATUS? request 4"],
    [encodeHostFrame({ type: "statistics-request", request: 5 }), "STATISTICS? request 5"],
    [encodeHostFrame({ type: "goodbye" }), "GOODBYE"],
    [
      encodeBridgeFrame(HELLO),
      "HELLO versions 1 to 2, host 9a3f0001, bridge 000051c0, mtu 1,250 bytes, queue 4, " +
        "peer table 20, address 02:00:00:00:00:b1, broadcasts, sets channel, " +
        'tells acknowledgement, channel 6, airtime 896 us and 8000 ns a byte, "orchard bridge"',
    ],
    [
      encodeBridgeFrame({ ...HELLO, versionMin: 2, host: 0, facts: undefined }),
      "HELLO versions 2 to 2, nobody asked, bridge 000051c0",
    ],
    [
      encodeBridgeFrame({ type: "channel", request: 3, result: "not-allowed", channel: 6 }),
      "CHANNEL request 3, not-allowed, channel 6",
    ],
    [
      encodeBridgeFrame({
        type: "status",
        request: 0,
        nextToken: 9,
        outcomes: [
          { token: 8, outcome: "acknowledged" },
          { token: 6, outcome: "lost-on-line" },
        ],
      }),
      "STATUS unasked, next 9, 8 acknowledged, 6 lost-on-line",
    ],
    [
      encodeBridgeFrame({ type: "statistics", request: 5, counts: [3600, 12] }),
      "STATISTICS request 5, uptimeS 3600, framesReceived 12",
    ],
    [
      encodeBridgeFrame({ type: "log", level: 4, text: "fan \u001b[31m7\u009b\u2028\u202e" }),
      'LOG warning: "fan \\u001b[31m7\\u{009b}\\u{2028}\\u{202e}"',
    ],
    [Uint8Array.of(0x05, 0), "STATUS? malformed, 2 bytes: 05 00"],
    [Uint8Array.of(0x33), "type 33 unknown-type, 1 byte: 33"],
    [new Uint8Array(20).fill(0xff), `type ff unknown-type, 20 bytes: ${"ff ".repeat(16)}…`],
    [new Uint8Array(0), "empty body"],
  ])("tells %j", (body, expected) => {
    expect(describeBridgeFrame(body)).toBe(expected);
  });

  it("tells the address of a datagram, if it is there, and the datagram", () => {
    const send = { type: "send", token: 7, to: STATION, datagram: DATAGRAM } as const;
    const text = "short #…a1b2 ask now · data ch 0 fragment 1 whole, 2 bytes · crc 349e";
    const first = describeBridgeFrame(encodeHostFrame({ ...send, again: false }));
    expect(first).toBe(`SEND 7 to 02:00:00:00:00:11: ${text}`);
    const again = describeBridgeFrame(encodeHostFrame({ ...send, again: true }));
    expect(again).toBe(`SEND-AGAIN 7: ${text}`);
  });

  it("tells what was heard, and how loud if that is known", () => {
    const received = {
      type: "received",
      sequence: 250,
      from: STATION,
      datagram: DATAGRAM,
    } as const;
    const first = { ...received, rssiDbm: -61, again: false };
    const again = { ...received, rssiDbm: undefined, again: true };
    expect(describeBridgeFrame(encodeBridgeFrame(first))).toContain(
      "RECEIVED 250 from 02:00:00:00:00:11 at -61 dBm: short #…a1b2",
    );
    expect(describeBridgeFrame(encodeBridgeFrame(again))).toContain(
      "RECEIVED-AGAIN 250: short #…a1b2",
    );
  });

  it("asks how long an address is", () => {
    const to = STATION.subarray(0, 2);
    const body = encodeHostFrame({
      type: "send",
      token: 7,
      to,
      datagram: new Uint8Array(0),
      again: false,
    });
    expect(describeBridgeFrame(body, 2)).toBe("SEND 7 to 02:00: empty");
  });

  it("makes one line of printable text of any bytes", () => {
    const body = fc
      .tuple(
        fc.constantFrom(1, 2, 3, 4, 5, 6, 7, 8, 0x81, 0x82, 0x83, 0x84, 0x85, 0x86, 0x87),
        fc.array(fc.oneof(fc.constantFrom(0, 1, 6), fc.integer({ min: 0, max: 255 })), {
          maxLength: 300,
        }),
      )
      .map(([type, rest]) => Uint8Array.of(type, ...rest));
    fc.assert(
      fc.property(body, (bytes) => {
        const text = describeBridgeFrame(bytes);
        expect(text).not.toMatch(/[\p{C}\p{Zl}\p{Zp}]/u);
        expect(text).not.toMatch(/undefined|NaN/);
      }),
    );
  });
});
