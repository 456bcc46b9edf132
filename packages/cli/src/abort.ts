import type { Clock } from "@fardel/core";

/** Resolves when one of the signals is aborted; at once if one is. */
export function whenAborted(...signals: readonly AbortSignal[]): Promise<void> {
  return new Promise((resolve) => {
    for (const signal of signals) {
      if (signal.aborted) resolve();
      else signal.addEventListener("abort", () => resolve(), { once: true });
    }
  });
}

/** Settles as the promise does, or rejects with an `AbortError` as soon as the signal is aborted. */
export async function unlessAborted<T>(promise: Promise<T>, signal: AbortSignal): Promise<T> {
  const aborted = whenAborted(signal).then(() => {
    throw new DOMException("Ended before it was done.", "AbortError");
  });
  return Promise.race([aborted, promise]);
}

/** Resolves after so many microseconds of the clock, or when the signal is aborted. */
export function pause(clock: Clock, us: number, signal?: AbortSignal): Promise<void> {
  return new Promise((resolve) => {
    const end = () => {
      clock.clearTimer(timer);
      signal?.removeEventListener("abort", end);
      resolve();
      clock.wakeWaiters?.();
    };
    const timer = clock.setTimer(clock.nowUs() + us, end);
    if (signal?.aborted) end();
    else signal?.addEventListener("abort", end, { once: true });
  });
}
