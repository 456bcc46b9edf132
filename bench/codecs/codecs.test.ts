import { describe, expect, it } from "vitest";
import type { Row } from "../benchmark.js";
import { codecs, payloadsOf, requireEqualCobs, requireSame } from "./codecs.js";
import { type Contender, otherCobs, otherCrcs, ourCobs, ourCrc } from "./contenders.js";
import { race } from "./race.js";

describe("codecs", () => {
  it("races CRC-16 of three sizes against three, and COBS both ways with two rates of zeros", async () => {
    const rows: Row[] = [];
    for await (const row of codecs.run({ seeds: 1, scale: 0.001 })) rows.push(row);
    expect(rows).toHaveLength(3 * 3 + 2 * 3 * 2);
    for (const row of rows) {
      expect(row.bench).toBe("codecs");
      expect(Number(row.oursMbPerS)).toBeGreaterThan(0);
      expect(Number(row.theirsMbPerS)).toBeGreaterThan(0);
      expect("reusedMbPerS" in row).toBe(row.codec !== "crc-16");
    }
  });

  it("takes payloads of the length asked for, with zeros at the rate asked for", () => {
    for (const [zeros, rate] of [
      ["rare", 1 / 256],
      ["frequent", 1 / 4],
    ] as const) {
      const bytes = Buffer.concat(payloadsOf(1500, zeros));
      const count = bytes.filter((byte) => byte === 0).length;
      const sigma = Math.sqrt(bytes.length * rate * (1 - rate));
      expect(Math.abs(count - bytes.length * rate)).toBeLessThan(4 * sigma);
    }
    expect(payloadsOf(20, "rare").every(({ length }) => length === 20)).toBe(true);
    expect(new Set(payloadsOf(20, "rare").map(String)).size).toBeGreaterThan(60);
  });
});

describe("results are compared before anything is timed", () => {
  // CRC-16/IBM-SDLC in the CRC catalogue.
  const check = Buffer.from("123456789");

  it("all give the check value 906E", () => {
    for (const { name, once } of [ourCrc, ...otherCrcs])
      expect([name, once(check)]).toEqual([name, 0x906e]);
  });

  it("refuses a contender that computes something else", () => {
    const wrong: Contender<number> = { ...ourCrc, name: "wrong", once: () => 1 };
    expect(() => requireSame([check], ourCrc, wrong)).toThrow("wrong gives 1");
    for (const other of otherCrcs) requireSame([check], ourCrc, other);
  });

  it("accepts the empty group that the other package puts behind 254 bytes, and nothing else", () => {
    const full = Buffer.alloc(254, 7);
    expect(otherCobs.encode.once(full)).toHaveLength(ourCobs.encode.once(full).length + 1);
    expect(() => requireEqualCobs([full, Buffer.alloc(0), Buffer.alloc(3), check])).not.toThrow();
  });
});

describe("a race", () => {
  it("gives each contender its turns, and all of them as many", () => {
    const runs = ["", ""];
    const laps = ["a", "b"].map((name, i) => () => {
      runs[0] += name;
      return i;
    });
    const times = race(laps, 1e-9);
    expect(times).toHaveLength(2);
    for (const ms of times) expect(ms).toBeGreaterThanOrEqual(0);
    // Warmed up one after the other, then in turn.
    expect(runs[0]).toMatch(/^a+b+(a+b+){25}$/);
  });
});
