import { describe, expect, it } from "vitest";
import { ProbeTimer } from "./probe-timer.js";
import { RoundTrip } from "./round-trip.js";

const NEVER = Number.POSITIVE_INFINITY;
const LIMITS = { firstRetryUs: 50_000, retryUsMax: 5_000_000, unreachableUs: 30_000_000 };

function timer(options: { linkUs?: number; random?: () => number; sampleUs?: number } = {}) {
  const roundTrip = new RoundTrip();
  if (options.sampleUs) roundTrip.addSample(options.sampleUs);
  const { linkUs = 0, random = () => 0 } = options;
  const probe = new ProbeTimer(LIMITS, roundTrip, () => linkUs, random);
  return { probe, roundTrip };
}

/** Interval of a first question that the link took `sendUs` to let leave. */
function firstInterval(options: { linkUs?: number; sendUs?: number; sampleUs?: number }): number {
  const { probe } = timer(options);
  const leftUs = 1000 + (options.sendUs ?? 0);
  probe.noteAsked(1, 1000);
  probe.noteLeft(1, leftUs);
  return probe.dueUs - leftUs;
}

describe("ProbeTimer", () => {
  it("runs from when the link lets the question leave, until it is answered", () => {
    const { probe } = timer({ sampleUs: 8000 });
    expect(probe.dueUs).toBe(NEVER);
    probe.noteAsked(5, 1000);
    expect(probe.dueUs).toBe(NEVER);
    probe.noteLeft(4, 1500);
    expect(probe.dueUs).toBe(NEVER);
    probe.noteLeft(5, 2000);
    // SRTT + 4 RTTVAR after one sample of 8 ms: 8 + 4 * 4 (RFC 6298, section 2).
    expect(probe.dueUs).toBe(26_000);
    probe.noteAnswered(4);
    expect(probe.dueUs).toBe(26_000);
    probe.noteAnswered(5);
    expect([probe.dueUs, probe.awaited]).toEqual([NEVER, -1]);
  });

  it("first waits as section 7.4 says when no round trip to this peer is known", () => {
    // Three times another peer's round trip, at least 3 ms; else 2.5 times what the link took, if
    // that tells anything (300 µs), 3 to 50 ms; else 50 ms.
    expect(firstInterval({ linkUs: 7000 })).toBe(21_000);
    expect(firstInterval({ linkUs: 500 })).toBe(3000);
    expect(firstInterval({ linkUs: 400_000 })).toBe(1_200_000);
    expect(firstInterval({ sendUs: 299 })).toBe(50_000);
    expect(firstInterval({ sendUs: 300 })).toBe(3000);
    expect(firstInterval({ sendUs: 2500 })).toBe(6250);
    expect(firstInterval({ sendUs: 400_000 })).toBe(50_000);
    expect(firstInterval({ linkUs: 7000, sendUs: 2500 })).toBe(21_000);
    expect(firstInterval({ linkUs: 7000, sendUs: 2500, sampleUs: 1000 })).toBe(3000);
  });

  it("keeps the interval for five times, then doubles it after every second, at most to 5 s", () => {
    const { probe } = timer({ sampleUs: 8000 });
    const intervals = Array.from({ length: 30 }, (_, count) => probe.intervalUs(count) / 24_000);
    expect(intervals.slice(0, 12)).toEqual([1, 1, 1, 1, 1, 2, 2, 4, 4, 8, 8, 16]);
    expect(probe.intervalUs(29)).toBe(5_000_000);
    expect(probe.intervalUs(10_000)).toBe(5_000_000);
  });

  it("doubles it from the fourth on as long as no round trip is known", () => {
    const { probe } = timer({ linkUs: 4000 });
    const intervals = Array.from({ length: 7 }, (_, count) => probe.intervalUs(count) / 12_000);
    expect(intervals).toEqual([1, 1, 1, 1, 2, 4, 8]);
  });

  it("adds up to an eighth at random to the intervals of repeats, drawn anew for each", () => {
    const draws = [0, 2 ** 31, 2 ** 32 - 1];
    const { probe } = timer({ sampleUs: 8000, random: () => draws.shift() ?? 0 });
    expect(probe.intervalUs(0)).toBe(24_000);
    probe.count = 1;
    const intervals = [1, 2, 3].map((number) => {
      probe.noteAsked(number, 0);
      probe.noteLeft(number, 0);
      return probe.dueUs;
    });
    expect(intervals[0]).toBe(24_000);
    expect(intervals[1]).toBe(25_500);
    expect(intervals[2]).toBe(27_000);
    expect(probe.intervalUs(1000)).toBeLessThanOrEqual((5_000_000 * 9) / 8);
  });

  it("a sign of the peer ends the doubling", () => {
    const { probe } = timer({ sampleUs: 8000 });
    probe.noteAsked(1, 0);
    probe.noteLeft(1, 0);
    probe.count = 9;
    expect(probe.dueUs).toBe(8 * 24_000);
    probe.noteHeard(10);
    expect(probe.count).toBe(0);
    expect(probe.dueUs).toBe(24_000);
  });

  it("gives the peer up 30 s after the first question or the last sign of it, whichever is later", () => {
    const { probe } = timer();
    expect(probe.unreachableUs).toBe(NEVER);
    probe.noteHeard(1_000_000);
    probe.noteAsked(1, 7_000_000);
    expect(probe.unreachableUs).toBe(37_000_000);
    // Asking again does not prolong it.
    probe.noteAsked(2, 9_000_000);
    expect(probe.unreachableUs).toBe(37_000_000);
    probe.noteHeard(10_000_000);
    expect(probe.unreachableUs).toBe(40_000_000);
    probe.noteAnswered(2);
    expect(probe.unreachableUs).toBe(NEVER);
  });

  it("counts anew from when the link is up again", () => {
    const { probe } = timer({ sampleUs: 8000 });
    probe.noteAsked(1, 0);
    probe.noteLeft(1, 0);
    probe.noteLinkUp(90_000_000);
    expect(probe.dueUs).toBe(90_024_000);
    expect(probe.unreachableUs).toBe(120_000_000);
  });
});
