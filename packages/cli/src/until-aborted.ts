/** Ends a stream when the signal says so, also while nothing comes. */
export async function* untilAborted<T>(
  input: AsyncIterable<T>,
  signal: AbortSignal,
): AsyncGenerator<T, void, undefined> {
  const iterator = input[Symbol.asyncIterator]();
  let giveUp: (() => void) | undefined;
  const onAbort = () => giveUp?.();
  signal.addEventListener("abort", onAbort);
  try {
    while (!signal.aborted) {
      // Not `Promise.race` with one promise for the abort: that would collect all that it ever met.
      const step = await new Promise<IteratorResult<T> | undefined>((resolve, reject) => {
        giveUp = () => resolve(undefined);
        iterator.next().then(resolve, reject);
      });
      if (!step || step.done) return;
      yield step.value;
    }
  } finally {
    signal.removeEventListener("abort", onAbort);
    // Not waited for: an input that is silent answers only with its next bytes.
    void Promise.resolve(iterator.return?.()).catch(() => {});
  }
}
