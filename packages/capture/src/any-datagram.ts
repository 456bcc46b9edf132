import type { SendOutcome } from "@fardel/core";
import fc from "fast-check";
import type { CapturedDatagram, CaptureHead } from "./captured.js";

/** Captures of any content, for property tests. */

const address = fc.uint8Array({ minLength: 1, maxLength: 64 });
const text = (bytesMax: number) =>
  fc.string({ unit: "grapheme", minLength: 1, maxLength: bytesMax / 16 });
const OUTCOMES: readonly SendOutcome[] = [
  "sent",
  "acknowledged",
  "not-acknowledged",
  "refused",
  "gone",
];

export const anyDatagram: fc.Arbitrary<CapturedDatagram> = fc.record(
  {
    atUs: fc.integer({ min: -1000, max: 2 ** 45 }),
    direction: fc.constantFrom("sent", "received", "overheard"),
    from: address,
    to: address,
    bytes: fc.uint8Array({ maxLength: 300 }),
    outcome: fc.constantFrom(...OUTCOMES),
    tookUs: fc.integer({ min: 0, max: 0xffff_ffff }),
    fate: text(64),
    rssiDbm: fc.integer({ min: -32_700, max: 32_700 }).map((hundredths) => hundredths / 100),
    radioChannel: fc.nat(0xffff),
    comment: text(1000),
  },
  { requiredKeys: ["atUs", "direction", "bytes"] },
);

export const anyHead: fc.Arbitrary<CaptureHead> = fc.record(
  {
    link: text(1000),
    mtuBytes: fc.integer({ min: 20, max: 65_535 }),
    startedAt: fc.date({
      min: new Date("1970-01-02T00:00:00Z"),
      max: new Date("2200-01-01T00:00:00Z"),
      noInvalidDate: true,
    }),
    localAddress: address,
  },
  { requiredKeys: ["link", "mtuBytes", "startedAt"] },
);
