import { describe, expect, it } from "vitest";
import { ANSWERED_REQUESTS } from "../../test/hostile/attacks/openings.js";
import { ATTACKS, FOUND } from "../../test/hostile/attacks.js";
import { rowOf } from "./hostile.js";

describe("hostile", () => {
  it("gives figures of an attack, and nothing amplified", async () => {
    const row = await rowOf(ANSWERED_REQUESTS, 0.1);
    expect(row).toMatchObject({ bench: "hostile", knows: "stranger", datagrams: 200, failed: 0 });
    expect(row.answers).toBeGreaterThan(50);
    expect(row.amplification).toBe(1);
    expect(row.timeRatio).toBeGreaterThan(0);
    expect(row.netSlowdown).toBeLessThan(2);
    for (const [column, value] of Object.entries(row))
      if (typeof value === "number") expect(Number.isFinite(value), column).toBe(true);
  });

  it("has a name for each attack", () => {
    const names = [...Object.values(ATTACKS).flat(), ...FOUND].map(({ name }) => name);
    expect(new Set(names).size).toBe(names.length);
  });
});
