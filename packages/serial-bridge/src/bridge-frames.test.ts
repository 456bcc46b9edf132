import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  type BridgeFrame,
  decodeBridgeFrame,
  decodeHostFrame,
  encodeBridgeFrame,
  encodeHostFrame,
} from "./bridge-frames.js";

const u8 = fc.integer({ min: 0, max: 255 });
const address = fc.uint8Array({ minLength: 6, maxLength: 6 });

describe("any bytes as frames", () => {
  const hostile = fc
    .tuple(
      fc.oneof(u8, fc.integer({ min: 1, max: 8 }), fc.integer({ min: 0x81, max: 0x88 })),
      fc.oneof(
        fc.array(u8, { maxLength: 60 }),
        fc.array(fc.constantFrom(0, 1, 6, 255), { maxLength: 60 }),
      ),
    )
    .map(([type, rest]) => Uint8Array.of(type, ...rest));

  it("decode to a value, and what exists can be encoded", () => {
    const implied = fc.option(address, { nil: undefined });
    fc.assert(
      fc.property(hostile, fc.constantFrom(0, 1, 6, 18), implied, (body, addressBytes, known) => {
        const ofHost = decodeHostFrame(body, addressBytes, known);
        if (ofHost.ok) {
          const again = decodeHostFrame(encodeHostFrame(ofHost.value), addressBytes, known);
          expect(again).toEqual(ofHost);
        }
        const ofBridge = decodeBridgeFrame(body, addressBytes, known);
        if (ofBridge.ok && isEncodable(ofBridge.value)) {
          const again = decodeBridgeFrame(encodeBridgeFrame(ofBridge.value), addressBytes, known);
          expect(again).toEqual(ofBridge);
        }
      }),
      { numRuns: 2000 },
    );
  });

  /** A text that was no UTF-8 grows by U+FFFD, perhaps beyond its limit. */
  function isEncodable(frame: BridgeFrame): boolean {
    if (frame.type === "log") return !frame.text.includes("\ufffd");
    return frame.type !== "hello" || !frame.facts?.name.includes("\ufffd");
  }
});
