import type { Clock, TimerHandle } from "@fardel/core";
import { LossyLinkError } from "./errors.js";
import { EventQueue, QueuedEvent } from "./event-queue.js";
import { checkUs } from "./validation.js";
import { nextTask } from "./waiters.js";

/**
 * Why a run came to its end.
 *
 * - `idle`: nothing is scheduled any more, and nobody who waited has scheduled anything
 * - `until`: the predicate held
 * - `time`: `untilUs` was reached and there is more to do after it
 */
export type StopReason = "idle" | "until" | "time";

/** When {@link VirtualClock.run} stops, apart from having nothing left to do. */
export interface RunOptions {
  /** Stops as soon as this holds; asked at the start, and after each event. */
  readonly until?: () => boolean;
  /** Runs what is due up to and including this instant, microseconds, and leaves the clock there. */
  readonly untilUs?: number;
}

/**
 * Time that passes only when it is told to: hours in milliseconds, and the same order of events on
 * every machine. Timers of the same instant run in the order in which they were set.
 *
 * Two ways to let it pass. {@link VirtualClock.runSync} only runs timers. {@link VirtualClock.run}
 * also gives way to code that awaits promises: after an event that called `wakeWaiters` everything
 * that waits runs to its next wait before time moves on.
 *
 * ```ts
 * const clock = new VirtualClock();
 * const { a, b } = lossyPair({ clock, loss: 0.2 });
 * …
 * await clock.run({ until: () => finished });
 * ```
 */
export class VirtualClock implements Clock {
  readonly #queue = new EventQueue<() => void>();
  #nowUs = 0;
  #running = false;
  #woken = false;

  /** Microseconds since the clock was made. */
  nowUs(): number {
    return this.#nowUs;
  }

  /** Number of timers that are set. */
  get timerCount(): number {
    return this.#queue.size;
  }

  /**
   * @param atUs - whole microseconds; an instant in the past means now, after what is due already
   * @throws LossyLinkError `bad-integer`
   */
  setTimer(atUs: number, run: () => void): TimerHandle {
    if (!Number.isSafeInteger(atUs)) checkUs("atUs", atUs);
    return this.#queue.insert(atUs > this.#nowUs ? atUs : this.#nowUs, run);
  }

  clearTimer(handle: TimerHandle): void {
    if (handle instanceof QueuedEvent) this.#queue.remove(handle);
  }

  /** Tells {@link VirtualClock.run} to let waiting code run before the next event. */
  wakeWaiters(): void {
    this.#woken = true;
  }

  /** A promise that settles after this much virtual time. @throws LossyLinkError `bad-integer` */
  delay(durationUs: number): Promise<void> {
    checkUs("durationUs", durationUs);
    return new Promise((resolve) => {
      this.setTimer(this.#nowUs + durationUs, () => {
        this.#woken = true;
        resolve();
      });
    });
  }

  /**
   * Runs what is due, without giving way to promises.
   *
   * @param untilUs - runs up to and including this instant and leaves the clock there, also when
   *   there was nothing left to run (`idle`). Left out: until nothing is left, at the last event.
   * @throws whatever a timer throws; the clock can go on from there
   * @throws LossyLinkError `bad-integer`, or `clock-running` from inside a run
   */
  runSync(untilUs?: number): "idle" | "time" {
    const endUs = checkedEnd(untilUs);
    this.#start();
    try {
      while (this.#runNext(endUs)) {
        // Everything happens in the condition.
      }
      return this.#arrive(endUs);
    } finally {
      this.#running = false;
    }
  }

  /**
   * Runs what is due, in order. At the start, and after each event that called `wakeWaiters`, all
   * code that waits on settled promises runs first, while time stands still.
   *
   * @returns why it stopped. The clock then stands at `untilUs` if that was given and the predicate
   *   did not hold before, else at the last event.
   * @throws whatever a timer or the predicate throws; the clock can go on from there
   * @throws LossyLinkError `bad-integer`, or `clock-running` from inside a run
   */
  async run(options: RunOptions = {}): Promise<StopReason> {
    const endUs = checkedEnd(options.untilUs);
    const { until } = options;
    this.#start();
    try {
      for (;;) {
        await nextTask();
        // Only now: whoever was woken meanwhile had its turn in the same task.
        this.#woken = false;
        if (until?.()) return "until";
        let ran = false;
        while (!this.#woken && this.#runNext(endUs)) {
          ran = true;
          if (until?.()) return "until";
        }
        // The end is reached only when those who wait have had their turn and nothing came of it.
        if (!ran) return this.#arrive(endUs);
      }
    } finally {
      this.#running = false;
    }
  }

  /** Runs the first event if it is due by `endUs`; says whether it did. */
  #runNext(endUs: number): boolean {
    const next = this.#queue.first();
    if (next === undefined || next.at > endUs) return false;
    this.#queue.remove(next);
    this.#nowUs = next.at;
    next.item();
    return true;
  }

  #arrive(endUs: number): "idle" | "time" {
    if (endUs !== Number.POSITIVE_INFINITY && endUs > this.#nowUs) this.#nowUs = endUs;
    return this.#queue.size === 0 ? "idle" : "time";
  }

  #start(): void {
    if (this.#running) {
      throw new LossyLinkError(
        "clock-running",
        "The virtual clock is running already. Set a timer instead of running it from inside.",
      );
    }
    this.#running = true;
  }
}

function checkedEnd(untilUs: number | undefined): number {
  if (untilUs === undefined) return Number.POSITIVE_INFINITY;
  checkUs("untilUs", untilUs);
  return untilUs;
}
