import { describe, expect, it } from "vitest";
import { passTime, TestContext } from "./test-context.js";

describe("passTime", () => {
  it("lets a promise on virtual time settle, and hands on what it rejects with", async () => {
    const { clock } = new TestContext();
    await passTime(clock, clock.delay(60_000_000));
    expect(clock.nowUs()).toBeGreaterThanOrEqual(60_000_000);
    await expect(passTime(clock, Promise.reject(new Error("no")))).rejects.toThrow("no");
  });
});
