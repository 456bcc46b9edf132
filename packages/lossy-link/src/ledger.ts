import type { Address } from "@fardel/core";

/**
 * What became of one frame at one receiver.
 *
 * - `delivered`: handed to the receiver as it was sent
 * - `corrupted`: handed to the receiver with bits flipped
 * - `lost`: by independent loss, a burst or a replayed trace
 * - `faded`: too weak a signal
 * - `outage`: nothing got through at that time
 * - `collided`: two stations sent in the same slot
 * - `truncated`: the sender was closed, restarted or retuned while the frame was on air
 * - `unheard`: no such station, or it is on another radio channel, not open, or its radio is off when
 *   the frame ends; or not open or its radio off when a delayed datagram would be delivered
 * - `filtered`: a link-level repetition of what the receiver's radio has already
 */
export type Fate =
  | "delivered"
  | "corrupted"
  | "lost"
  | "faded"
  | "outage"
  | "collided"
  | "truncated"
  | "unheard"
  | "filtered";

/** A number of datagrams, and the bytes in them. */
export interface Tally {
  readonly datagrams: number;
  readonly bytes: number;
}

/**
 * Counts since the medium was made. Each frame on air (`carried`, link-level repetitions included)
 * has one {@link Fate} at each of its receivers, or one in all if it collided or was truncated; each
 * copy (`duplicated`) has one more.
 */
export interface MediumStatistics extends Readonly<Record<Fate, Tally>> {
  /** Handed to `send`. */
  readonly offered: Tally;
  /** Outcome `refused`: queue full, or too long. */
  readonly refused: Tally;
  /** Outcome `gone`: closed, not open, or radio off, at once or while waiting or on air. */
  readonly gone: Tally;
  /** Put on air, each time counted. */
  readonly carried: Tally;
  /** Second deliveries that were caused. */
  readonly duplicated: Tally;
  /** Time for which the medium was busy (with several radio channels: the sum), microseconds. */
  readonly airtimeUs: number;
}

/** One frame at one receiver, once its fate is known. */
export interface Observation {
  /**
   * Number of the frame on this medium, from 1, in the order in which frames went on air. Shared by
   * all receivers of a broadcast, and by a copy and its original.
   */
  readonly frame: number;
  /** When the frame left the air (`truncated`: when it was cut), microseconds. */
  readonly leftAtUs: number;
  /** When it was handed to the receiver, microseconds; only if it was. */
  readonly deliveredAtUs?: number;
  readonly from: Address;
  /** The receiver, also for a broadcast. Of a broadcast without a receiver: the broadcast address. */
  readonly to: Address;
  /** As delivered, else as sent. Valid during the call only: copy what is to be kept. */
  readonly datagram: Uint8Array;
  readonly fate: Fate;
  /** Whether this is the second delivery of a duplicated datagram. */
  readonly copy: boolean;
}

/** Called with each {@link Observation}, in the order of time. */
export type Observer = (observation: Observation) => void;

class Count implements Tally {
  datagrams = 0;
  bytes = 0;

  add(bytes: number): void {
    this.datagrams++;
    this.bytes += bytes;
  }

  snapshot(): Tally {
    return { datagrams: this.datagrams, bytes: this.bytes };
  }
}

/** Keeps the counts of a medium, and tells those who watch. */
export class Ledger {
  readonly offered = new Count();
  readonly refused = new Count();
  readonly gone = new Count();
  readonly carried = new Count();
  readonly duplicated = new Count();
  airtimeUs = 0;
  readonly #fates: Record<Fate, Count> = {
    delivered: new Count(),
    corrupted: new Count(),
    lost: new Count(),
    faded: new Count(),
    outage: new Count(),
    collided: new Count(),
    truncated: new Count(),
    unheard: new Count(),
    filtered: new Count(),
  };
  #observers: readonly Observer[] = [];

  snapshot(): MediumStatistics {
    const fates = Object.entries(this.#fates).map(([fate, count]) => [fate, count.snapshot()]);
    return {
      offered: this.offered.snapshot(),
      refused: this.refused.snapshot(),
      gone: this.gone.snapshot(),
      carried: this.carried.snapshot(),
      duplicated: this.duplicated.snapshot(),
      airtimeUs: this.airtimeUs,
      ...(Object.fromEntries(fates) as Record<Fate, Tally>),
    };
  }

  observe(observer: Observer): () => void {
    const added: Observer = (observation) => observer(observation);
    this.#observers = [...this.#observers, added];
    return () => {
      this.#observers = this.#observers.filter((other) => other !== added);
    };
  }

  /** Enters the fate of a frame at one receiver. */
  count(fate: Fate, bytes: number): void {
    this.#fates[fate].add(bytes);
  }

  /** Whether anybody watches: if not, there is no need to put an observation together. */
  get observed(): boolean {
    return this.#observers.length > 0;
  }

  tell(observation: Observation): void {
    for (const observer of this.#observers) observer(observation);
  }
}
