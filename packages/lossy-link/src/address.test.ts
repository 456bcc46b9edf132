import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { addressKey, formatAddress, sameAddress } from "./address.js";

describe("addresses", () => {
  it("have the same key if and only if they have the same bytes", () => {
    const address = fc.uint8Array({ minLength: 1, maxLength: 9, max: 2 });
    fc.assert(
      fc.property(address, address, (one, other) => {
        const equal = formatAddress(one) === formatAddress(other);
        expect(addressKey(one) === addressKey(other)).toBe(equal);
        expect(sameAddress(one, other)).toBe(equal);
      }),
      { numRuns: 2000 },
    );
    expect(addressKey(Uint8Array.of(0))).not.toBe(addressKey(Uint8Array.of(0, 0)));
    expect(Number.isSafeInteger(addressKey(new Uint8Array(6).fill(0xff)))).toBe(true);
  });

  it("are written in the usual way", () => {
    expect(formatAddress(Uint8Array.of(2, 0, 0x5e, 0, 0, 0xa))).toBe("02:00:5e:00:00:0a");
  });
});
