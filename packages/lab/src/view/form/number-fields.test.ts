import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { DEFAULT_SETTINGS, LOAD_RANGES, RANGES, settingsFaults } from "../../run/defaults.js";
import * as fields from "./number-fields.js";

const all = [
  fields.LOSS,
  fields.BURST,
  fields.DATAGRAM,
  fields.RATE,
  fields.DISTANCE,
  fields.DUPLICATE,
  fields.REORDER,
  fields.CORRUPT,
  fields.WINDOW,
  fields.BOARDS,
  fields.SEED,
  fields.BYTES,
  fields.COMMAND_EVERY,
];

describe("the number fields", () => {
  it.each(all.map((field) => [field.label, field] as const))(
    "%s: takes nothing that cannot be run",
    (_, field) => {
      const text = fc.oneof(fc.string(), fc.double().map(String), fc.integer().map(String));
      fc.assert(
        fc.property(text, (typed) => {
          const value = fields.accepted(field, typed);
          if (value === undefined) return;
          const settings = field.set(DEFAULT_SETTINGS, value);
          expect(settingsFaults(settings)).toEqual([]);
          expect(field.get(settings)).toBeCloseTo(value, 6);
        }),
      );
    },
  );

  it.each(all.map((field) => [field.label, field] as const))(
    "%s: its slider goes up and reaches both ends",
    (_, field) => {
      expect(fields.fromSlider(field, 0)).toBe(field.min);
      expect(fields.fromSlider(field, 1_000)).toBe(field.max);
      let last = field.min;
      for (let position = 0; position <= 1_000; position += 10) {
        const value = fields.fromSlider(field, position);
        expect(value).toBeGreaterThanOrEqual(last);
        last = value;
        expect(settingsFaults(field.set(DEFAULT_SETTINGS, value))).toEqual([]);
      }
      expect(fields.toSlider(field, field.max)).toBe(1_000);
      expect(fields.toSlider(field, field.min)).toBe(0);
    },
  );

  it("reach as far as settings may", () => {
    expect(fields.LOSS.max).toBe(RANGES.loss.max * 100);
    expect(fields.BYTES.max).toBe(LOAD_RANGES.bytes.max);
    for (const field of [fields.BURST, fields.DATAGRAM, fields.RATE, fields.DISTANCE]) {
      const range = RANGES[field.id as "burst"];
      expect([field.min, field.max]).toEqual([range.min, range.max]);
    }
  });
});

describe("another medium", () => {
  it("brings its own size of datagram, and its own rate", () => {
    const settings = fields.withMedium({ ...DEFAULT_SETTINGS, rateKbps: 500 }, "canFd");
    expect(settings).toMatchObject({ preset: "canFd", datagramBytes: 64, rateKbps: 0 });
  });
});
