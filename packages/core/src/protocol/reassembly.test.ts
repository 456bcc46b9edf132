import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { updateCrc32 } from "../wire/crc32.js";
import { Budget } from "./budget.js";
import { HOLDING_BYTES } from "./config.js";
import { Reassembly } from "./reassembly.js";

const pieces = fc.array(fc.uint8Array({ maxLength: 20 }), { minLength: 1, maxLength: 10 });

function joined(parts: readonly Uint8Array[]): Uint8Array {
  return Uint8Array.from(parts.flatMap((part) => [...part]));
}

describe("Reassembly", () => {
  it("gives the bytes in their order, whether or not the total was told", () => {
    fc.assert(
      fc.property(pieces, fc.boolean(), (parts, isTold) => {
        const whole = joined(parts);
        const reassembly = new Reassembly(7, isTold ? whole.length : undefined, -1);
        for (const part of parts) {
          const copy = part.slice();
          expect(reassembly.hasPlaceFor(copy.length)).toBe(true);
          reassembly.add(copy);
          copy.fill(0xee);
        }
        expect(reassembly.whole).toEqual(whole);
        expect(reassembly.missingBytes).toBe(0);
        expect(reassembly.hasPlaceFor(1)).toBe(!isTold);
      }),
    );
  });

  it("fits only with the right last bytes, length and CRC-32", () => {
    fc.assert(
      fc.property(
        pieces,
        fc.uint8Array({ maxLength: 9 }),
        fc.boolean(),
        (parts, last, isStream) => {
          const whole = joined([...parts, last]);
          const crc32 = updateCrc32(0, whole);
          const reassembly = new Reassembly(7, whole.length, isStream ? 3 : -1);
          for (const part of parts) reassembly.add(part);
          expect(reassembly.fits(last, crc32)).toBe(true);
          expect(reassembly.fits(last, (crc32 ^ 1) >>> 0)).toBe(false);
          expect(reassembly.fits(joined([last, Uint8Array.of(0)]), crc32)).toBe(false);
          // Asking has changed nothing.
          expect(reassembly.fits(last, crc32)).toBe(true);
        },
      ),
    );
  });

  it("gives back what was reserved: the total if told, else what has come; a stream's reader has it", () => {
    for (const [total, stream, expected] of [
      [100, -1, 100 + HOLDING_BYTES],
      [undefined, -1, 10 + HOLDING_BYTES],
      [100, 5, 0],
    ] as const) {
      const budget = new Budget(1000);
      budget.take(500);
      const reassembly = new Reassembly(0, total, stream);
      reassembly.add(new Uint8Array(10));
      reassembly.release(budget);
      expect(500 - budget.heldBytes).toBe(expected);
    }
  });
});
