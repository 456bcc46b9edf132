import type { Clock } from "@fardel/core";

/** A promise that somebody waits for until an answer comes. Virtual time waits for those who wait. */
export class Pending<T> {
  readonly promise: Promise<T>;
  readonly #clock: Clock;
  #resolve: (value: T) => void = () => {};
  #reject: (error: Error) => void = () => {};

  constructor(clock: Clock) {
    this.#clock = clock;
    this.promise = new Promise((resolve, reject) => {
      this.#resolve = resolve;
      this.#reject = reject;
    });
  }

  resolve(value: T): void {
    this.#resolve(value);
    this.#clock.wakeWaiters?.();
  }

  reject(error: Error): void {
    this.#reject(error);
    this.#clock.wakeWaiters?.();
  }
}
