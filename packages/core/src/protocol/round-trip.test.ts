import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { RoundTrip } from "./round-trip.js";

describe("RoundTrip", () => {
  it("smooths 100 and 200 ms as RFC 6298, section 2, in the order of RFC 9002, appendix A.7", () => {
    // Computed from (2.2) and (2.3): SRTT 100, RTTVAR 50; then RTTVAR = 3/4 * 50 + 1/4 * |100 - 200|,
    // and only then SRTT = 7/8 * 100 + 1/8 * 200. With the mean first RTTVAR would be 59.375.
    const roundTrip = new RoundTrip();
    expect(roundTrip.isMeasured).toBe(false);
    roundTrip.addSample(100_000);
    expect([roundTrip.smoothedUs, roundTrip.variationUs]).toEqual([100_000, 50_000]);
    expect(roundTrip.retryUs).toBe(300_000);
    roundTrip.addSample(200_000);
    expect([roundTrip.smoothedUs, roundTrip.variationUs]).toEqual([112_500, 62_500]);
    expect(roundTrip.retryUs).toBe(362_500);
    expect([roundTrip.latestUs, roundTrip.leastUs]).toEqual([200_000, 100_000]);
  });

  it("never retries sooner than 1 ms after the round trip (RFC 9002, section 6.1.2), without a floor of 1 s", () => {
    const roundTrip = new RoundTrip();
    for (let i = 0; i < 100; i++) roundTrip.addSample(700);
    expect(roundTrip.variationUs).toBe(0);
    expect(roundTrip.retryUs).toBe(1700);
  });

  it("takes a sample of 0 as the shortest there is", () => {
    const roundTrip = new RoundTrip();
    roundTrip.addSample(0);
    expect(roundTrip.isMeasured).toBe(true);
    expect(roundTrip.leastUs).toBe(1);
  });

  it("agrees with the formulas of RFC 6298, section 2, over any samples", () => {
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: 1, max: 10_000_000 }), { minLength: 1 }),
        (samples) => {
          const roundTrip = new RoundTrip();
          let mean = samples[0] as number;
          let variation = mean / 2;
          roundTrip.addSample(mean);
          for (const sample of samples.slice(1)) {
            variation = 0.75 * variation + 0.25 * Math.abs(mean - sample);
            mean = 0.875 * mean + 0.125 * sample;
            roundTrip.addSample(sample);
          }
          expect(Math.abs(roundTrip.smoothedUs - mean)).toBeLessThanOrEqual(1);
          expect(Math.abs(roundTrip.variationUs - variation)).toBeLessThanOrEqual(1);
          const retryUs = mean + Math.max(1000, 4 * variation);
          expect(Math.abs(roundTrip.retryUs - retryUs)).toBeLessThanOrEqual(2);
          expect(roundTrip.leastUs).toBe(Math.min(...samples));
          expect(roundTrip.latestUs).toBe(samples.at(-1));
        },
      ),
    );
  });
});
