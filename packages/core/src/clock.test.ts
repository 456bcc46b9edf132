import { afterEach, beforeEach, describe, expect, it, vi } from "vitest";
import { SystemClock } from "./clock.js";

describe("SystemClock", () => {
  beforeEach(
    () => void vi.useFakeTimers({ toFake: ["setTimeout", "clearTimeout", "performance"] }),
  );
  afterEach(() => void vi.useRealTimers());

  it("counts whole microseconds, and never goes back", () => {
    const clock = new SystemClock();
    const first = clock.nowUs();
    vi.advanceTimersByTime(1.5);
    expect(Number.isInteger(clock.nowUs())).toBe(true);
    expect(clock.nowUs()).toBeGreaterThanOrEqual(first + 1000);
  });

  it("calls once, not before its instant, and never from inside the call", () => {
    const clock = new SystemClock();
    const run = vi.fn();
    const startUs = clock.nowUs();
    clock.setTimer(startUs + 20_500, run);
    vi.advanceTimersByTime(20);
    expect(run).not.toHaveBeenCalled();
    vi.advanceTimersByTime(2);
    expect(run).toHaveBeenCalledTimes(1);
    clock.setTimer(0, run);
    expect(run).toHaveBeenCalledTimes(1);
    vi.advanceTimersByTime(1);
    expect(run).toHaveBeenCalledTimes(2);
  });

  it("forgets a timer, also one that has run", () => {
    const clock = new SystemClock();
    const run = vi.fn();
    const handle = clock.setTimer(clock.nowUs() + 1000, run);
    clock.clearTimer(handle);
    vi.advanceTimersByTime(10);
    expect(run).not.toHaveBeenCalled();
    clock.clearTimer(handle);
  });

  it("does not fire at once for what lies beyond the reach of setTimeout", () => {
    const clock = new SystemClock();
    const run = vi.fn();
    clock.setTimer(clock.nowUs() + 1e15, run);
    vi.advanceTimersByTime(60_000);
    expect(run).not.toHaveBeenCalled();
  });
});
