import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  ACK_MAP_BYTES_MAX,
  ackFrameBytes,
  CRC_BYTES,
  dataFrameBytes,
  HELLO_FRAME_BYTES,
  LONG_HEAD_BYTES,
  MESSAGE_CRC_BYTES,
  SHORT_HEAD_BYTES,
} from "../../../core/src/wire/index.js";
import { cutMessage, DATAGRAM_OVERHEAD, varintBytes, WIRE } from "./wire-bytes.js";

describe("the sizes that the formulas use", () => {
  it("are those of core's encoders", () => {
    expect(WIRE.short).toBe(SHORT_HEAD_BYTES + CRC_BYTES);
    expect(WIRE.long).toBe(LONG_HEAD_BYTES + CRC_BYTES);
    expect(WIRE.hello).toBe(HELLO_FRAME_BYTES);
    expect(WIRE.ack).toBe(ackFrameBytes(0));
    expect(WIRE.ackMapMax).toBe(ACK_MAP_BYTES_MAX);
    expect(WIRE.messageCrc).toBe(MESSAGE_CRC_BYTES);
    const middle = { first: false, last: false, withLength: false, total: 0 };
    expect(WIRE.dataHead).toBe(dataFrameBytes(0, middle));
    // A full datagram spends 8 bytes; PROTOCOL.md, section 2.2.
    expect(DATAGRAM_OVERHEAD).toBe(8);
    for (const total of [1, 63, 64, 16_383, 16_384, 1_048_576]) {
      const first = { first: true, last: false, withLength: false, total };
      expect(varintBytes(total)).toBe(dataFrameBytes(0, first) - WIRE.dataHead);
    }
  });
});

describe("cutting a message", () => {
  it.each([
    // 242 bytes of 250 are the message's; the first also holds its length, the last its CRC-32.
    [0, 250, 1],
    [242, 250, 1],
    [243, 250, 2],
    [478, 250, 2],
    [479, 250, 3],
    [12_458, 250, 52],
    [16, 20, 2],
  ])("of %i bytes into datagrams of %i gives %i", (bytes, mtu, fragments) => {
    expect(cutMessage(bytes, mtu).fragments).toBe(fragments);
  });

  it("leaves a last datagram that is neither empty nor too long", () => {
    const sizes = [fc.nat(1_048_576), fc.integer({ min: 20, max: 1500 })] as const;
    fc.assert(
      fc.property(...sizes, (bytes, mtu) => {
        const { fragments, lastBytes } = cutMessage(bytes, mtu);
        expect(lastBytes).toBeLessThanOrEqual(mtu);
        expect(lastBytes).toBeGreaterThan(bytes > 0 ? DATAGRAM_OVERHEAD : DATAGRAM_OVERHEAD - 1);
        const own = fragments > 1 ? varintBytes(bytes) + WIRE.messageCrc : 0;
        const sent = (fragments - 1) * mtu + lastBytes;
        expect(sent - fragments * DATAGRAM_OVERHEAD - own).toBe(bytes);
      }),
    );
  });
});
