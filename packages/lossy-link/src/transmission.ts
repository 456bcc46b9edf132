import type { Address, SendOutcome } from "@fardel/core";
import type { Station } from "./link.js";

const NOTHING = new Uint8Array(0);
const nobody = (): void => undefined;

/** One datagram between `send` and its outcome. Pooled: never held on to after its outcome. */
export class Transmission {
  from!: Station;
  to: Address = NOTHING;
  /** The caller's bytes: they stay untouched until `done`, so that waiting takes no copy. */
  datagram: Uint8Array = NOTHING;
  done: (outcome: SendOutcome) => void = nobody;
  broadcast = false;
  /** `false` once it was given up; the air still finishes the frame, but nobody gets it. */
  live = false;
  onAir = false;
  /** Number of its frame on the medium: a new one each time it is put on air. */
  frame = 0;
  /** How often it was put on air. */
  attempts = 0;
  /** Whether the neighbour's radio has the datagram (it filters out what is repeated then). */
  received = false;
  /** Whether the neighbour's link-level acknowledgement of the last attempt came back. */
  acknowledged = false;
  /** Back-off is drawn from 0 to this many slots. */
  contentionWindow = 0;

  begin(
    from: Station,
    to: Address,
    datagram: Uint8Array,
    broadcast: boolean,
    done: (outcome: SendOutcome) => void,
  ): void {
    this.from = from;
    this.to = to;
    this.datagram = datagram;
    this.broadcast = broadcast;
    this.done = done;
    this.live = true;
    this.onAir = false;
    this.frame = 0;
    this.attempts = 0;
    this.received = false;
    this.acknowledged = false;
  }

  /** Lets go of the caller's bytes and gives back whom to tell. Nothing is left to tell after it. */
  end(): (outcome: SendOutcome) => void {
    const { done } = this;
    this.live = false;
    this.to = NOTHING;
    this.datagram = NOTHING;
    this.done = nobody;
    return done;
  }
}
