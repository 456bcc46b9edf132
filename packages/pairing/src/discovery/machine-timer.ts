import type { Clock, TimerHandle } from "@fardel/core";

/** The one timer of a machine: follows its `timeoutUs`. */
export class MachineTimer {
  readonly #clock: Clock;
  readonly #run: () => void;
  #atUs = Number.POSITIVE_INFINITY;
  #handle: TimerHandle | undefined;

  constructor(clock: Clock, run: () => void) {
    this.#clock = clock;
    this.#run = run;
  }

  /** @param atUs - `Infinity`: no timer */
  set(atUs: number): void {
    if (atUs === this.#atUs) return;
    this.clear();
    if (atUs === Number.POSITIVE_INFINITY) return;
    this.#atUs = atUs;
    this.#handle = this.#clock.setTimer(atUs, () => {
      this.#atUs = Number.POSITIVE_INFINITY;
      this.#run();
    });
  }

  clear(): void {
    if (this.#handle !== undefined) this.#clock.clearTimer(this.#handle);
    this.#handle = undefined;
    this.#atUs = Number.POSITIVE_INFINITY;
  }
}
