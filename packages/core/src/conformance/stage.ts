import type { Address, DatagramInfo, Link, SendOutcome } from "../link.js";
import { type ConformanceOptions, type ConformanceSetup, Fault } from "./setup.js";

/** One datagram as a station received it: copied at once, since the link may use its array again. */
export interface Arrival {
  readonly from: Uint8Array;
  readonly bytes: Uint8Array;
  readonly info: DatagramInfo;
  readonly wasInsideSend: boolean;
}

/** One datagram that was handed over, and what `done` said. */
export interface Handover {
  readonly outcomes: SendOutcome[];
  /** Whether `done` was ever called from inside `send`. */
  wasInsideSend: boolean;
}

const STEP_US_MIN = 1000;
const STEP_US_MAX = 50_000;

/** The owner of one link: keeps what the link tells. */
export class Station {
  readonly received: Arrival[] = [];
  readonly statuses: ("up" | "down")[] = [];
  isClosed = false;
  /** Handler calls after `close` was through. */
  callsAfterClose = 0;
  /** Runs inside `onDatagram`, with the link's own array. */
  onArrival: ((from: Address, datagram: Uint8Array) => void) | undefined;
  readonly #stage: Stage;
  #address: Address | undefined;

  constructor(
    stage: Stage,
    readonly label: string,
    readonly link: Link,
    readonly givenAddress: Address | undefined,
  ) {
    this.#stage = stage;
  }

  get address(): Address {
    // Kept: a link may forget its address when it is closed.
    this.#address ??= (this.givenAddress ?? this.link.localAddress)?.slice();
    if (this.#address) return this.#address;
    throw new Fault(
      `Nobody says how ${this.label} is reached: give its link a localAddress, or the setup address${this.label.toUpperCase()}.`,
    );
  }

  async open(): Promise<void> {
    const opening = this.link.open({
      onDatagram: (from, datagram, info) => this.#receive(from, datagram, info),
      onStatus: (status) => {
        this.#stage.note();
        this.statuses.push(status);
        if (this.isClosed) this.callsAfterClose++;
      },
    });
    await this.#stage.settled(
      opening,
      "The promise of open never settled. Resolve it when the link can send and receive.",
    );
  }

  #receive(from: Address, datagram: Uint8Array, info: DatagramInfo): void {
    this.#stage.note();
    if (this.isClosed) this.callsAfterClose++;
    const wasInsideSend = this.#stage.isInsideSend;
    this.received.push({ from: from.slice(), bytes: datagram.slice(), info, wasInsideSend });
    this.onArrival?.(from, datagram);
  }

  /** Hand a datagram to the link. @param onDone - runs inside `done`, the first time */
  send(to: Address, datagram: Uint8Array, onDone?: (outcome: SendOutcome) => void): Handover {
    const stage = this.#stage;
    const handover: Handover = { outcomes: [], wasInsideSend: false };
    stage.sendDepth++;
    try {
      this.link.send(to, datagram, (outcome) => {
        stage.note();
        handover.outcomes.push(outcome);
        if (stage.isInsideSend) handover.wasInsideSend = true;
        if (handover.outcomes.length === 1) onDone?.(outcome);
      });
    } finally {
      stage.sendDepth--;
    }
    return handover;
  }

  async close(): Promise<void> {
    await this.#stage.settled(
      this.link.close(),
      "The promise of close never settled. Resolve it when nothing leaves or arrives any more.",
    );
    this.isClosed = true;
  }
}

/** A setup at work: the stations, and time. */
export class Stage {
  readonly a: Station;
  readonly b: Station;
  readonly c: Station | undefined;
  sendDepth = 0;
  #activity = 0;
  readonly #patienceUs: number;
  readonly #quietUs: number;
  readonly datagrams: number;

  constructor(
    readonly setup: ConformanceSetup,
    options: ConformanceOptions,
  ) {
    const { patienceUs = 2_000_000, quietUs = 50_000, datagrams = 1000 } = options;
    this.#patienceUs = patienceUs;
    this.#quietUs = quietUs;
    this.datagrams = datagrams;
    this.a = new Station(this, "a", setup.a, setup.addressA);
    this.b = new Station(this, "b", setup.b, setup.addressB);
    this.c = setup.c && new Station(this, "c", setup.c, setup.addressC);
  }

  get stations(): Station[] {
    return [this.a, this.b, ...(this.c ? [this.c] : [])];
  }

  get isInsideSend(): boolean {
    return this.sendDepth > 0;
  }

  /** Something happened: patience begins anew. */
  note(): void {
    this.#activity++;
  }

  async openAll(): Promise<void> {
    for (const station of this.stations) await station.open();
  }

  /** Let time pass until something holds. @throws Fault with the sentence when nothing moves */
  async until(holds: () => boolean, sentence: string | (() => string)): Promise<void> {
    let waitedUs = 0;
    let stepUs = STEP_US_MIN;
    let seen = this.#activity;
    // Microtasks first: much of what is waited for needs no time at all.
    await Promise.resolve();
    while (!holds()) {
      if (waitedUs >= this.#patienceUs) {
        throw new Fault(typeof sentence === "string" ? sentence : sentence());
      }
      await this.#advance(stepUs);
      waitedUs += stepUs;
      stepUs = Math.min(2 * stepUs, STEP_US_MAX);
      if (this.#activity !== seen) {
        seen = this.#activity;
        waitedUs = 0;
      }
    }
  }

  /** Wait for a promise of the link; time may have to pass for it. */
  async settled(promise: unknown, sentence: string): Promise<void> {
    let isSettled = false;
    const settle = () => {
      isSettled = true;
    };
    Promise.resolve(promise).then(settle, settle);
    await this.until(() => isSettled, sentence);
    // Throws what it was rejected with.
    await promise;
  }

  /** Let time pass in which nothing more should happen. */
  quiet(): Promise<void> {
    return this.#advance(this.#quietUs);
  }

  /** Wait for the outcomes of what was handed over. */
  outcomes(handovers: readonly Handover[], what: string): Promise<void> {
    return this.until(
      () => handovers.every(({ outcomes }) => outcomes.length > 0),
      `done was not called for ${what}. Call it once for each datagram, whatever becomes of it.`,
    );
  }

  /** Send one datagram and wait until it has arrived and its outcome is in. */
  async deliver(from: Station, to: Station, datagram: Uint8Array): Promise<Arrival> {
    const before = to.received.length;
    const handover = from.send(to.address.slice(), datagram.slice());
    await this.outcomes([handover], `a datagram from ${from.label} to ${to.label}`);
    await this.until(
      () => to.received.length > before,
      `A datagram of ${datagram.length} bytes from ${from.label} to ${to.label} never arrived (outcome ${handover.outcomes[0]}). Check that open starts reception and that addresses are compared byte by byte.`,
    );
    return to.received[before] as Arrival;
  }

  /** Close what is open and clear up, whatever state the check left. */
  async tearDown(): Promise<void> {
    try {
      for (const station of this.stations) if (!station.isClosed) await station.close();
    } finally {
      await this.setup.tearDown?.();
    }
  }

  async #advance(durationUs: number): Promise<void> {
    if (this.setup.advance) await this.setup.advance(durationUs);
    else await new Promise<void>((resolve) => setTimeout(resolve, durationUs / 1000));
  }
}

/** Bytes that differ by place and by seed: all of them harmless (0x40 to 0x7f) to any transport. */
export function pattern(length: number, seed = 1): Uint8Array {
  return Uint8Array.from({ length }, (_, i) => 0x40 | ((i * 31 + (i >> 6) * 7 + seed) & 0x3f));
}

export function sameBytes(one: Uint8Array, other: Uint8Array): boolean {
  return one.length === other.length && one.every((byte, i) => byte === other[i]);
}

export function hex(bytes: Uint8Array): string {
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join(":");
}

/** An address that no station has. */
export function nobodyOf(stage: Stage): Address {
  if (stage.setup.nobody) return stage.setup.nobody;
  const taken = [...stage.stations.map(({ address }) => address), stage.a.link.broadcastAddress];
  const address = stage.b.address.slice();
  do address[address.length - 1] = ((address[address.length - 1] as number) + 85) & 0xff;
  while (taken.some((other) => other && sameBytes(other, address)));
  return address;
}
