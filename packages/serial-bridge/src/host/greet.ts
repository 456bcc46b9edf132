import type { PortSource } from "../byte-port.js";
import { SerialBridgeError } from "../errors.js";
import { Connection, type ConnectionHandlers, type ConnectionOptions } from "./connection.js";

/** What is told while nobody owns the connection yet. */
export type GreetingHandlers = Pick<ConnectionHandlers, "onEvent" | "onChatter">;

/**
 * Open a port and wait until a bridge has said HELLO or it is clear that none will.
 *
 * @returns a connection in session (`facts`), or one that is over (`end`)
 * @throws what the source throws; {@link SerialBridgeError} `aborted`
 */
export async function greet(
  source: PortSource,
  bitRate: number,
  options: ConnectionOptions,
  handlers: GreetingHandlers,
  signal?: AbortSignal,
): Promise<Connection> {
  throwIfAborted(signal);
  const settled = signalled(options);
  const aborted = signalled(options);
  const whenAborted = aborted.promise.then((): never => {
    throw abortedError(signal);
  });
  signal?.addEventListener("abort", aborted.settle);
  const opening = Connection.open(source, bitRate, options, {
    onEvent: (event) => {
      handlers.onEvent(event);
      if (event.type === "session-opened") settled.settle();
    },
    onChatter: (text) => handlers.onChatter(text),
    onEnded: settled.settle,
  });
  // For virtual time: nothing may pass between opening and what follows it.
  options.clock.wakeWaiters?.();
  try {
    const connection = await Promise.race([opening, whenAborted]);
    const isSettled = connection.end !== undefined || connection.facts !== undefined;
    if (!isSettled) await Promise.race([settled.promise, whenAborted]);
    return connection;
  } catch (error) {
    // A port that is still being opened is closed when it is open.
    opening.then((connection) => connection.close()).catch(() => {});
    throw error;
  } finally {
    signal?.removeEventListener("abort", aborted.settle);
  }
}

export function throwIfAborted(signal: AbortSignal | undefined): void {
  if (signal?.aborted) throw abortedError(signal);
}

function abortedError(signal: AbortSignal | undefined): SerialBridgeError {
  return new SerialBridgeError("aborted", "Connecting was aborted by the signal that was given.", {
    cause: signal?.reason,
  });
}

/** A promise and what settles it; virtual time waits for those who wait on it. */
function signalled({ clock }: ConnectionOptions): { promise: Promise<void>; settle: () => void } {
  let resolve = () => {};
  const promise = new Promise<void>((resolvePromise) => {
    resolve = resolvePromise;
  });
  return {
    promise,
    settle: () => {
      resolve();
      clock.wakeWaiters?.();
    },
  };
}
