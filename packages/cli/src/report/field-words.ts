import type { Value } from "./layout.js";

/** What a swept field is, in a few words. */
const WORDS: Readonly<Record<string, string>> = {
  preset: "medium",
  mtuBytes: "largest datagram, bytes",
  loss: "share of datagrams lost, each way",
  burst: "datagrams lost in a row, mean",
  burstMs: "length of a burst of loss, mean, ms",
  duplicate: "share of datagrams that arrive twice",
  reorder: "share of datagrams held up",
  corrupt: "share of datagrams that arrive altered",
  delayMs: "delay of a datagram, ms",
  jitterMs: "further delay at random, up to, ms",
  window: "window, fragments",
  boards: "boards",
};

/**
 * `share of datagrams lost, each way (loss)`
 * @param field - its short name, as in tables: `loss`, `bytes`, `bytes[1]`
 * @param messages - names of the scenario's messages
 */
export function fieldWords(field: string, messages: readonly string[]): string {
  const index = /^bytes(?:\[(\d+)\])?$/.exec(field);
  if (index) return `size of ${messages[Number(index[1] ?? 0)] ?? "the message"}, bytes`;
  const words = WORDS[field];
  return words === undefined || words === field ? field : `${words} (${field})`;
}

/** `loss 0.2`, `window 8`, `contention` */
export function settingWords(field: string, value: Value, messages: readonly string[]): string {
  if (field === "preset") return String(value);
  const index = /^bytes(?:\[(\d+)\])?$/.exec(field);
  if (index) return `${messages[Number(index[1] ?? 0)] ?? "message"} of ${value} bytes`;
  return `${field} ${value}`;
}
