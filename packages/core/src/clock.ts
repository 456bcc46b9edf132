/** A timer that {@link Clock.setTimer} returned; opaque to its owner. */
export type TimerHandle = unknown;

/**
 * The only source of time for an endpoint and for simulated links, so that a test can run hours in
 * milliseconds. `SystemClock` is the real one; `@fardel/lossy-link` has a virtual one.
 */
export interface Clock {
  /** Monotonic time in whole microseconds from an arbitrary start. */
  nowUs(): number;
  /**
   * Call `run` once, at or shortly after `atUs`. An instant in the past means as soon as possible,
   * but never from inside this call.
   */
  setTimer(atUs: number, run: () => void): TimerHandle;
  /** Forget a timer. Harmless when it has already run. */
  clearTimer(handle: TimerHandle): void;
  /**
   * Hint that promises have just been settled. A virtual clock lets all code that waits on them run
   * before it moves time on; a real clock needs no such hint and leaves this out.
   */
  wakeWaiters?(): void;
}

interface SystemTimer {
  handle: ReturnType<typeof setTimeout> | undefined;
}

const TIMEOUT_MS_MAX = 2 ** 31 - 1;

/** Real time: `performance.now()` and `setTimeout`, in Node, browsers and workers. */
export class SystemClock implements Clock {
  nowUs(): number {
    return Math.round(performance.now() * 1000);
  }

  setTimer(atUs: number, run: () => void): TimerHandle {
    const timer: SystemTimer = { handle: undefined };
    const wait = () => {
      const leftMs = Math.ceil((atUs - this.nowUs()) / 1000);
      // setTimeout truncates and may fire early, and beyond 2^31 - 1 ms it fires at once.
      timer.handle = setTimeout(
        () => (this.nowUs() < atUs ? wait() : run()),
        Math.min(Math.max(0, leftMs), TIMEOUT_MS_MAX),
      );
    };
    wait();
    return timer;
  }

  clearTimer(handle: TimerHandle): void {
    clearTimeout((handle as SystemTimer | undefined)?.handle);
  }
}
