import type { Clock, TimerHandle } from "@fardel/core";
import { REOPEN_US, REOPEN_US_MAX } from "../limits.js";
import type { Connection } from "./connection.js";
import { Pending } from "./pending.js";

/**
 * Opens a port that is gone again and again, waiting longer each time, until a bridge answers there.
 * @see BRIDGE.md, section 12
 */
export class Reopening {
  readonly #clock: Clock;
  readonly #abort = new AbortController();
  #waiting: Pending<void> | undefined;
  #timer: TimerHandle;

  /**
   * @param attempt - opens the port and says HELLO?; may throw
   * @param onGreeted - whatever came of an attempt that did not throw; `true` when that will do
   */
  constructor(
    clock: Clock,
    attempt: (signal: AbortSignal) => Promise<Connection>,
    onGreeted: (connection: Connection) => boolean,
  ) {
    this.#clock = clock;
    void this.#run(attempt, onGreeted);
  }

  /** No more attempts; one that is under way is undone. */
  cancel(): void {
    this.#abort.abort();
    this.#clock.clearTimer(this.#timer);
    this.#waiting?.resolve();
  }

  async #run(
    attempt: (signal: AbortSignal) => Promise<Connection>,
    onGreeted: (connection: Connection) => boolean,
  ): Promise<void> {
    const { signal } = this.#abort;
    for (let waitUs = REOPEN_US; ; waitUs = Math.min(2 * waitUs, REOPEN_US_MAX)) {
      await this.#wait(waitUs);
      // Whatever fails now may work later: a port that is missing, busy or of another user.
      const connection = await attempt(signal).catch(() => undefined);
      if (signal.aborted) {
        await connection?.close();
        return;
      }
      if (connection && onGreeted(connection)) return;
    }
  }

  #wait(waitUs: number): Promise<void> {
    const waiting = new Pending<void>(this.#clock);
    this.#waiting = waiting;
    this.#timer = this.#clock.setTimer(this.#clock.nowUs() + waitUs, () => waiting.resolve());
    return waiting.promise;
  }
}
