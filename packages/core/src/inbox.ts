/** One thing that waits for its reader, and what to do once it has been taken. */
interface Waiting<T> {
  readonly item: T;
  readonly release: () => void;
}

/**
 * A queue between the protocol and an async iterator. An item counts as held until its reader asks
 * for the next one: that is what carries back-pressure to the sender.
 */
export class Inbox<T> {
  readonly #waiting: Waiting<T>[] = [];
  readonly #readers: ((result: IteratorResult<T>) => void)[] = [];
  #isClosed = false;
  #error: unknown;

  /** @returns true if a reader was waiting for it. */
  push(item: T, release: () => void): boolean {
    if (this.#isClosed) {
      release();
      return false;
    }
    this.#waiting.push({ item, release });
    return this.#serve();
  }

  /** No more will come: readers finish once they have read what is here, with the error if there is one. */
  close(error?: unknown): void {
    this.#isClosed = true;
    this.#error = error;
    this.#serve();
  }

  /** Drop what nobody has read. */
  discard(): void {
    for (const { release } of this.#waiting.splice(0)) release();
  }

  /** A reader; several share the items between them. */
  read(): AsyncIterableIterator<T> {
    let release: (() => void) | undefined;
    const settle = () => {
      release?.();
      release = undefined;
    };
    const iterator: AsyncIterableIterator<T> = {
      next: () => {
        settle();
        const next = this.#waiting.shift();
        if (next) {
          release = next.release;
          return Promise.resolve({ done: false, value: next.item });
        }
        if (this.#isClosed) return this.#end();
        return new Promise((resolve) => {
          this.#readers.push((result) => resolve(result));
        }).then((result) => {
          const waiting = result as IteratorResult<Waiting<T>>;
          if (waiting.done) return this.#end();
          release = waiting.value.release;
          return { done: false, value: waiting.value.item };
        });
      },
      return: () => {
        settle();
        return Promise.resolve({ done: true, value: undefined });
      },
      [Symbol.asyncIterator]: () => iterator,
    };
    return iterator;
  }

  #end(): Promise<IteratorResult<T>> {
    return this.#error === undefined
      ? Promise.resolve({ done: true, value: undefined })
      : Promise.reject(this.#error);
  }

  #serve(): boolean {
    let served = false;
    while (this.#readers.length > 0 && (this.#waiting.length > 0 || this.#isClosed)) {
      const reader = this.#readers.shift() as (result: unknown) => void;
      const next = this.#waiting.shift();
      reader(next ? { done: false, value: next } : { done: true, value: undefined });
      served = true;
    }
    return served;
  }
}
