import type { Contestant, Task } from "./messages.js";
import { overTcp } from "./over-tcp.js";
import { byHandOverUdp, fardelOverUdp } from "./over-udp.js";

/** One side of a transfer. */
export interface Side {
  /** What has arrived of the message, each byte counted once; 0 for a sender. */
  heldBytes(): number;
  /** Ends at once: nothing of it is left that could put a frame on air in the next run. */
  stop(): Promise<void>;
}

/** The addresses of this side and the other. */
export interface Place {
  readonly address: string;
  readonly other: string;
}

/** How a contestant carries one message. */
export interface Carrier {
  /** Ready for the sender when this resolves. `onMessage` has the whole message, once. */
  receive(place: Place, task: Task, onMessage: (bytes: Uint8Array) => void): Promise<Side>;
  /**
   * Calls `onStart` just before the first call that may put something on air, and `onEnd` when there
   * is nothing more to do.
   */
  send(place: Place, bytes: Uint8Array, events: SenderEvents): Promise<Side>;
}

export interface SenderEvents {
  onStart(): void;
  onEnd(isGood: boolean): void;
}

export function carrierOf(contestant: Contestant): Carrier {
  switch (contestant.kind) {
    case "tcp":
      return overTcp(contestant.congestionControl);
    case "fardel":
      return fardelOverUdp;
    case "by-hand":
      return byHandOverUdp(contestant.way);
  }
}
