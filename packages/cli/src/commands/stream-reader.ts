import type { Clock } from "@fardel/core";

/** An endpoint holds so much of a stream that was not read: the default of its `streamBytesMax`. */
const UNREAD_BYTES_MAX = 64 * 1024;
/** Once it is to end: silence after which nothing more is here. */
const DRY_US = 200_000;

/**
 * Reads a stream to its end, or after a signal only what is here already: that was acknowledged, so
 * if the message ends with it, its sender takes it for delivered.
 */
export class StreamReader implements AsyncIterable<Uint8Array> {
  /** Set when reading ended before the stream did. */
  isCut = false;
  #bytesLeft = UNREAD_BYTES_MAX;

  constructor(
    readonly stream: AsyncIterable<Uint8Array>,
    readonly signal: AbortSignal,
    readonly clock: Clock,
  ) {}

  async *[Symbol.asyncIterator](): AsyncGenerator<Uint8Array, void, undefined> {
    const iterator = this.stream[Symbol.asyncIterator]();
    try {
      while (this.#bytesLeft > 0) {
        const step = await this.#next(iterator);
        if (step?.done) return;
        if (!step) break;
        if (this.signal.aborted) this.#bytesLeft -= step.value.length;
        yield step.value;
      }
      this.isCut = true;
    } finally {
      // Not waited for: it may answer only with what comes next.
      void Promise.resolve(iterator.return?.()).catch(() => {});
    }
  }

  /** @returns `undefined` if the signal has come, and nothing more */
  #next(iterator: AsyncIterator<Uint8Array>): Promise<IteratorResult<Uint8Array> | undefined> {
    const { clock, signal } = this;
    return new Promise((resolve, reject) => {
      let timer: unknown;
      const wait = () => {
        timer = clock.setTimer(clock.nowUs() + DRY_US, () => resolve(undefined));
      };
      const settle = () => {
        clock.clearTimer(timer);
        signal.removeEventListener("abort", wait);
      };
      if (signal.aborted) wait();
      else signal.addEventListener("abort", wait, { once: true });
      iterator.next().finally(settle).then(resolve, reject);
    });
  }
}
