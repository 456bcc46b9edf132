/** The caller's code must not break ours: what it throws surfaces as an uncaught error of its own. */
export function call<T>(handler: ((argument: T) => void) | undefined, argument: T): void {
  try {
    handler?.(argument);
  } catch (error) {
    queueMicrotask(() => {
      throw error;
    });
  }
}
