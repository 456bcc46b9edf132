import type { Clock, TimerHandle } from "@fardel/core";
import { EventQueue } from "./event-queue.js";
import { Fifo } from "./fifo.js";
import type { Transmission } from "./transmission.js";

/**
 * When frames go on air. What becomes of them there is the business of the {@link AirHost}.
 */
export interface Air {
  /** A station has handed over one more datagram, behind its others. */
  offer(transmission: Transmission): void;
}

/** What an {@link Air} asks for and tells. */
export interface AirHost {
  readonly clock: Clock;
  /** Time on air of a datagram of this size, microseconds. */
  frameUs(datagramBytes: number): number;
  /** Time that the neighbour's acknowledgement of this one keeps the air busy, microseconds. */
  ackUs(transmission: Transmission): number;
  /** A frame begins. */
  handleStart(transmission: Transmission): void;
  /** The air is about to be busy for this long. */
  handleBusy(durationUs: number): void;
  /** A frame has ended and gets to its receivers. */
  handleArrival(transmission: Transmission): void;
  /** A frame has ended that nobody could make out. */
  handleCollision(transmission: Transmission): void;
  /** Whether this one is to be put on air again, for want of an acknowledgement. */
  wantsRepetition(transmission: Transmission): boolean;
  /** This one is through: its station's queue moves up. */
  retire(transmission: Transmission): void;
  /** Its owner is told. Called last, when everything is in order for whatever the owner does. */
  report(transmission: Transmission): void;
}

/**
 * One frame after the other, in the order in which they were handed over, whoever did. Whatever a
 * real medium spends between frames is part of their fixed time.
 */
export class FifoAir implements Air {
  readonly #host: AirHost;
  readonly #waiting = new Fifo<Transmission>();
  #onAir: Transmission | undefined;

  constructor(host: AirHost) {
    this.#host = host;
  }

  offer(transmission: Transmission): void {
    if (this.#onAir === undefined) this.#start(transmission);
    else this.#waiting.push(transmission);
  }

  #start(transmission: Transmission): void {
    const host = this.#host;
    const frameUs = host.frameUs(transmission.datagram.length);
    this.#onAir = transmission;
    host.handleStart(transmission);
    host.handleBusy(frameUs + host.ackUs(transmission));
    host.clock.setTimer(host.clock.nowUs() + frameUs, this.#endFrame);
  }

  readonly #endFrame = (): void => {
    const host = this.#host;
    const transmission = this.#onAir!;
    try {
      host.handleArrival(transmission);
    } finally {
      const ackUs = host.ackUs(transmission);
      if (ackUs > 0) host.clock.setTimer(host.clock.nowUs() + ackUs, this.#endExchange);
      else this.#endExchange();
    }
  };

  readonly #endExchange = (): void => {
    const host = this.#host;
    const transmission = this.#onAir!;
    if (host.wantsRepetition(transmission)) {
      this.#start(transmission);
      return;
    }
    this.#onAir = undefined;
    host.retire(transmission);
    this.#startNext();
    host.report(transmission);
  };

  #startNext(): void {
    let next = this.#waiting.shift();
    while (next !== undefined && !next.live) next = this.#waiting.shift();
    if (next !== undefined) this.#start(next);
  }
}

/** Times and windows of {@link ContentionAir}. */
export interface ContentionTiming {
  readonly slotUs: number;
  readonly difsUs: number;
  readonly cwMin: number;
  readonly cwMax: number;
}

/**
 * Each station with something to send draws a number of idle slots to wait; the lowest goes on air
 * and the others keep what is left of theirs (IEEE 802.11, distributed coordination function). Equal
 * numbers collide.
 *
 * Everybody hears everybody, and a station draws also when it finds the air idle: two
 * simplifications. Slots are counted only while the air is idle, so that waiting stations are
 * simply sorted by the slot at which they will go.
 */
export class ContentionAir implements Air {
  readonly #host: AirHost;
  readonly #timing: ContentionTiming;
  /** How many slots this station waits, 0..window. */
  readonly #drawSlots: (transmission: Transmission) => number;
  readonly #contenders = new EventQueue<Transmission>();
  /** The slot that begins at `#countFromUs`. */
  #slot = 0;
  #countFromUs: number;
  #onAir: Transmission[] = [];
  #timer: TimerHandle | undefined;

  constructor(
    host: AirHost,
    timing: ContentionTiming,
    drawSlots: (transmission: Transmission) => number,
  ) {
    this.#host = host;
    this.#timing = timing;
    this.#drawSlots = drawSlots;
    this.#countFromUs = host.clock.nowUs() + timing.difsUs;
  }

  offer(transmission: Transmission): void {
    if (transmission.from.head !== transmission) return;
    this.#contend(transmission, this.#timing.cwMin);
  }

  #contend(transmission: Transmission, window: number): void {
    const sinceUs = this.#host.clock.nowUs() - this.#countFromUs;
    const busy = this.#onAir.length > 0;
    const slotsPassed = busy || sinceUs <= 0 ? 0 : Math.ceil(sinceUs / this.#timing.slotUs);
    transmission.contentionWindow = window;
    const slot = this.#slot + slotsPassed + this.#drawSlots(transmission);
    this.#contenders.insert(slot, transmission);
    if (!busy) this.#countDown();
  }

  #countDown(): void {
    const { clock } = this.#host;
    const first = this.#contenders.first();
    if (this.#timer !== undefined) clock.clearTimer(this.#timer);
    this.#timer = undefined;
    if (first === undefined) return;
    const slots = first.at - this.#slot;
    this.#timer = clock.setTimer(this.#countFromUs + slots * this.#timing.slotUs, this.#start);
  }

  readonly #start = (): void => {
    const host = this.#host;
    const slot = this.#contenders.first()!.at;
    const starting: Transmission[] = [];
    while (this.#contenders.first()?.at === slot) {
      const { item } = this.#contenders.takeFirst()!;
      if (item.live) starting.push(item);
    }
    if (starting.length === 0) {
      this.#countDown();
      return;
    }
    this.#slot = slot;
    this.#onAir = starting;
    for (const transmission of starting) host.handleStart(transmission);
    const frameUs = Math.max(...starting.map(({ datagram }) => host.frameUs(datagram.length)));
    host.handleBusy(frameUs + this.#ackUs());
    host.clock.setTimer(host.clock.nowUs() + frameUs, this.#endFrames);
  };

  readonly #endFrames = (): void => {
    const host = this.#host;
    const starting = this.#onAir;
    try {
      if (starting.length === 1) host.handleArrival(starting[0]!);
      else for (const transmission of starting) host.handleCollision(transmission);
    } finally {
      // Also after a collision: the acknowledgement is waited for in vain, for as long.
      host.clock.setTimer(host.clock.nowUs() + this.#ackUs(), this.#endExchange);
    }
  };

  readonly #endExchange = (): void => {
    const host = this.#host;
    const ended = this.#onAir;
    this.#onAir = [];
    this.#countFromUs = host.clock.nowUs() + this.#timing.difsUs;
    const through: Transmission[] = [];
    for (const transmission of ended) {
      if (!transmission.live) continue;
      if (host.wantsRepetition(transmission)) {
        const doubled = 2 * (transmission.contentionWindow + 1) - 1;
        this.#contend(transmission, Math.min(doubled, this.#timing.cwMax));
        continue;
      }
      host.retire(transmission);
      through.push(transmission);
      const next = transmission.from.head;
      if (next !== undefined) this.#contend(next, this.#timing.cwMin);
    }
    this.#countDown();
    this.#reportFrom(through, 0);
  };

  /** Tells the owners, also when one of them throws. */
  #reportFrom(through: readonly Transmission[], index: number): void {
    const transmission = through[index];
    if (transmission === undefined) return;
    try {
      this.#host.report(transmission);
    } finally {
      this.#reportFrom(through, index + 1);
    }
  }

  #ackUs(): number {
    return Math.max(...this.#onAir.map((transmission) => this.#host.ackUs(transmission)));
  }
}
