import { signal } from "@preact/signals";

/** What a screen reader is told: a run has ended, a datagram was chosen. Sparse on purpose. */
export const announcement = signal("");

export function announce(sentence: string): void {
  // The same sentence twice in a row would not be read again.
  announcement.value = announcement.peek() === sentence ? `${sentence} ` : sentence;
}
