/**
 * Letting everything run that waits on a settled promise.
 *
 * Promise callbacks run before the host turns to its next task, however long the chain of them is.
 * So it is enough to wait for one task: `setImmediate` where there is one (Node), a message through
 * a `MessageChannel` in browsers and workers (`setTimeout` there waits 4 ms once nested, and is the
 * last resort).
 */

interface MessagePortLike {
  onmessage: ((event: never) => void) | null;
  postMessage(message: unknown): void;
}

/** The parts of the global object that are looked for. */
export interface TaskHost {
  setImmediate?: (run: () => void) => unknown;
  MessageChannel?: new () => { port1: MessagePortLike; port2: MessagePortLike };
  setTimeout?: (run: () => void, delayMs: number) => unknown;
}

/** A function whose promise settles in the host's next task. */
export function nextTaskOf(host: TaskHost): () => Promise<void> {
  // Taken now: fake timers that a test installs later would stop the clock for good.
  const { setImmediate, MessageChannel, setTimeout } = host;
  if (setImmediate !== undefined) return () => new Promise((resolve) => setImmediate(resolve));
  if (MessageChannel === undefined) {
    return () => new Promise((resolve) => setTimeout?.(resolve, 0));
  }
  let channel: { port1: MessagePortLike; port2: MessagePortLike } | undefined;
  const waiting: (() => void)[] = [];
  return () =>
    new Promise((resolve) => {
      if (channel === undefined) {
        channel = new MessageChannel();
        channel.port1.onmessage = () => waiting.shift()?.();
      }
      waiting.push(resolve);
      channel.port2.postMessage(undefined);
    });
}

/** {@link nextTaskOf} the host that this module runs in. */
export const nextTask: () => Promise<void> = nextTaskOf(globalThis as unknown as TaskHost);
