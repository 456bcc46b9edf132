import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { AirtimeCap } from "./airtime-cap.js";

const S = 1_000_000;

describe("AirtimeCap", () => {
  it("keeps any window below its share and one second's worth, whatever is sent when", () => {
    const send = fc.record({
      airUs: fc.integer({ min: 100, max: 20_000 }),
      pauseUs: fc.nat(300_000),
    });
    const sends = fc.array(send, { minLength: 1, maxLength: 120, size: "max" });
    fc.assert(
      fc.property(fc.constantFrom(0.01, 0.1, 0.36, 0.9), sends, (share, list) => {
        const cap = new AirtimeCap(share);
        const sent: { atUs: number; airUs: number }[] = [];
        let nowUs = 0;
        for (const { airUs, pauseUs } of list) {
          // Bursts, with a pause now and then.
          if (pauseUs > 200_000) nowUs += pauseUs;
          const readyUs = cap.readyUs(nowUs);
          expect(readyUs).toBeGreaterThanOrEqual(nowUs);
          nowUs = readyUs;
          expect(cap.readyUs(nowUs)).toBe(nowUs);
          cap.spend(airUs, nowUs);
          sent.push({ atUs: nowUs, airUs });
        }
        let excessUs = Number.NEGATIVE_INFINITY;
        for (let first = 0; first < sent.length; first++) {
          const startUs = sent[first]?.atUs ?? 0;
          let sum = 0;
          for (const { atUs, airUs } of sent.slice(first)) {
            // Before the last one there was something left in the bucket.
            excessUs = Math.max(excessUs, sum - share * (S + atUs - startUs));
            sum += airUs;
          }
        }
        expect(excessUs).toBeLessThanOrEqual(1);
      }),
    );
  });

  it("holds one second's worth at most, after whatever silence", () => {
    const cap = new AirtimeCap(0.1);
    const burst = (nowUs: number) => {
      let count = 0;
      for (; cap.readyUs(nowUs) === nowUs; count++) cap.spend(10_000, nowUs);
      return count;
    };
    expect(burst(0)).toBe(10);
    expect(burst(3600 * S)).toBe(10);
    expect(burst(3600 * S + S / 2)).toBe(5);
  });

  it("says exactly when the next may go", () => {
    const cap = new AirtimeCap(0.25);
    cap.spend(300_000, 0);
    // 50,000 µs overdrawn, and 1 to be in it: (50,000 + 1) / 0.25.
    expect(cap.readyUs(0)).toBe(200_004);
    expect(cap.readyUs(200_000)).toBeGreaterThan(200_000);
    expect(cap.readyUs(200_004)).toBe(200_004);
  });

  it("of 1 is no cap", () => {
    const cap = new AirtimeCap(1);
    for (let i = 0; i < 100; i++) cap.spend(S, 0);
    expect(cap.readyUs(0)).toBe(0);
  });
});
