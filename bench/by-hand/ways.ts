import { PassesSender } from "./passes.js";
import type { Sender, SenderOptions } from "./sender.js";
import { StopAndWaitSender } from "./stop-and-wait.js";

/** One of the ways to carry a message that people write by hand. */
export interface Way {
  readonly name: string;
  /** Whether its receiver acknowledges. */
  readonly acks: boolean;
  sender(options: SenderOptions): Sender;
}

const PASSES = 3;

/** @param timeoutMs - after the frame has left */
function stopAndWait(timeoutMs: number): Way {
  return {
    name: `stop-and-wait, ${timeoutMs} ms`,
    acks: true,
    sender: (options) => new StopAndWaitSender(options, timeoutMs * 1000),
  };
}

/** Common practice, no source: some times the round trip, so that a busy receiver is waited for. */
export const STOP_AND_WAIT = stopAndWait(20);
/**
 * For somebody who has measured the simulated channel: the ack is there 0.92 ms after the frame has
 * left (computed), always.
 */
export const STOP_AND_WAIT_TUNED = stopAndWait(2);
/**
 * The same for two programs under an operating system: with 2 ms, four frames of ten were repeated for
 * nothing (measured over the relay, without loss).
 */
export const STOP_AND_WAIT_TUNED_UDP = stopAndWait(5);

export const THREE_TIMES: Way = {
  name: "three times, no acks",
  acks: false,
  sender: (options) => new PassesSender(options, PASSES),
};

/** In virtual time. */
export const WAYS: readonly Way[] = [STOP_AND_WAIT, STOP_AND_WAIT_TUNED, THREE_TIMES];
/** Over UDP, in real time. */
export const WAYS_UDP: readonly Way[] = [STOP_AND_WAIT, STOP_AND_WAIT_TUNED_UDP, THREE_TIMES];

/** Chance that each of so many fragments arrives at least once in all passes. */
export function chanceOfThreeTimes(fragments: number, loss: number): number {
  return (1 - loss ** PASSES) ** fragments;
}
