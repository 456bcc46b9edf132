import { ByteWriter } from "../wire/byte-writer.js";
import { sealDatagram } from "../wire/datagram.js";
import { decodeFrames, encodeFrame, type Frame } from "../wire/frames.js";
import { CRC_BYTES, decodeHead, encodeLongHead, type Head } from "../wire/head.js";
import type { ProtocolConfig } from "./config.js";
import type { MessageEnd, ProtocolEvent } from "./events.js";
import { type MessageOptions, OutgoingMessage } from "./outgoing-message.js";
import type { Peer } from "./peer.js";
import type { Protection } from "./protection.js";
import { type Outcome, Protocol, type Transmit } from "./protocol.js";

// For tests: two protocols wired to each other by hand, in a time of their own. No Endpoint, no link.

/** A datagram on the wire. */
export interface OnWire {
  readonly from: Side;
  readonly to: Side;
  readonly datagram: Uint8Array;
  readonly atUs: number;
  /** Counts the datagrams of this side from 0. */
  readonly index: number;
}

export interface WireOptions {
  readonly a?: Partial<ProtocolConfig>;
  readonly b?: Partial<ProtocolConfig>;
  readonly mtuA?: number;
  readonly mtuB?: number;
  readonly seed?: number;
  /** Uniform u32 for one side, instead of the seeded ones. */
  readonly randomA?: () => number;
  readonly randomB?: () => number;
  /** Time that a datagram takes to leave, and to arrive, microseconds. */
  readonly airUs?: number;
  readonly hasAirtime?: boolean;
  readonly protectionA?: Protection;
  readonly protectionB?: Protection;
}

/** Uniform u32 from a seed: a linear congruential generator, its high bits mixed into the low ones. */
export function seededRandom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return (state ^ (state >>> 15)) >>> 0;
  };
}

/** Head and frames of a datagram. */
export function readDatagram(datagram: Uint8Array): { head: Head; frames: readonly Frame[] } {
  const head = decodeHead(datagram);
  if (!head.ok) throw new Error(`A protocol sent a datagram with the fault ${head.fault}.`);
  const frames = decodeFrames(datagram, head.value.headBytes, datagram.length - CRC_BYTES);
  if (!frames.ok) throw new Error(`A protocol sent frames with the fault ${frames.fault}.`);
  return { head: head.value, frames: frames.value };
}

/** A long datagram that asks, with a good CRC: what a peer might send, or somebody in its name. */
export function longDatagram(
  from: number,
  to: number,
  number: number,
  frames: readonly Frame[],
): Uint8Array {
  const out = new ByteWriter(new Uint8Array(250));
  encodeLongHead(out, 1, from, to, number);
  frames.forEach((frame, at) => {
    encodeFrame(out, frame, at === frames.length - 1);
  });
  return sealDatagram(out, to, from, number).slice();
}

/** A message of one fragment on channel 0. */
export function dataFrame(fragment: number, bytes: Uint8Array): Frame {
  const shape = { first: true, last: true, total: 0, crc32: 0 };
  return { type: "data", channel: 0, fragment, ...shape, bytes };
}

export const HELLO: Frame = { type: "hello", version: 1, mtuBytes: 250, window: 64 };

/** Types of the frames of a datagram, in their order. */
export function frameTypes(datagram: Uint8Array): string[] {
  return readDatagram(datagram).frames.map(({ type }) => type);
}

/** One protocol, and what has come out of it. */
export class Side {
  readonly events: ProtocolEvent[] = [];
  readonly received: Uint8Array[] = [];
  readonly ends = new Map<number, MessageEnd>();
  /** What was received and is not released yet, if {@link readsAtOnce} is off. */
  readonly unread: { peer: Peer; heldBytes: number; stream: number }[] = [];
  readsAtOnce = true;
  outstanding = 0;
  sentCount = 0;
  #nextId = 0;

  constructor(
    readonly wire: WiredPair,
    readonly address: Uint8Array,
    readonly mtuBytes: number,
    public protocol: Protocol,
  ) {}

  get other(): Side {
    return this.wire.a === this ? this.wire.b : this.wire.a;
  }

  /** The peer at the other side's address. */
  get peer(): Peer {
    return this.protocol.peer(this.other.address);
  }

  send(bytes: Uint8Array, options: Partial<MessageOptions> = {}, channel = 0): OutgoingMessage {
    return this.#send(bytes, options, channel, false);
  }

  sendLoose(bytes: Uint8Array, options: Partial<MessageOptions> = {}, lane = 0): OutgoingMessage {
    return this.#send(bytes, options, lane, true);
  }

  #send(
    bytes: Uint8Array,
    options: Partial<MessageOptions>,
    channel: number,
    isLoose: boolean,
  ): OutgoingMessage {
    const message = new OutgoingMessage(this.#nextId++, channel, bytes, {
      priority: "normal",
      deadlineUs: Number.POSITIVE_INFINITY,
      afterRestart: "report",
      firstContact: "data",
      isAnswer: false,
      wantsProgress: false,
      ...options,
    });
    this.protocol.send(this.peer, message, isLoose, this.wire.nowUs);
    return message;
  }

  /** How the message ended, in one word: `delivered`, `replaced`, `sent`, an error's code, or nothing. */
  endOf(message: OutgoingMessage): string | undefined {
    const end = this.ends.get(message.id);
    return end?.outcome === "failed" ? end.code : end?.outcome;
  }

  drainEvents(): void {
    const { protocol, wire } = this;
    for (let event = protocol.pollEvent(); event; event = protocol.pollEvent()) {
      this.events.push(event);
      if (event.type === "message-ended") this.ends.set(event.message.id, event.end);
      if (event.type === "message-received") this.received.push(event.bytes);
      if (event.type === "message-received" || event.type === "stream-data") {
        const stream = event.type === "stream-data" ? event.stream : -1;
        const held = { peer: event.peer, heldBytes: event.heldBytes, stream };
        if (this.readsAtOnce) protocol.release(held.peer, held.heldBytes, stream, wire.nowUs);
        else this.unread.push(held);
      }
    }
  }

  /** Give back what was received, oldest first. */
  read(count = Number.POSITIVE_INFINITY): void {
    for (const held of this.unread.splice(0, count))
      this.protocol.release(held.peer, held.heldBytes, held.stream, this.wire.nowUs);
  }
}

/** More turns than this in one run are a storm. */
const TURNS_MAX = 100_000;

interface Scheduled {
  readonly atUs: number;
  readonly run: () => void;
}

export class WiredPair {
  nowUs = 0;
  readonly a: Side;
  readonly b: Side;
  readonly log: OnWire[] = [];
  readonly airUs: number;
  lose: (each: OnWire) => boolean = () => false;
  /** What the link says of a datagram; `undefined`: nothing for now, see {@link held}. */
  outcome: (each: OnWire) => Outcome | undefined = () => "sent";
  readonly held: ((outcome: Outcome) => void)[] = [];
  readonly #options: WireOptions;
  #scheduled: Scheduled[] = [];

  constructor(options: WireOptions = {}) {
    this.#options = options;
    this.airUs = options.airUs ?? 1000;
    this.a = new Side(this, Uint8Array.of(2, 0, 0, 0, 0, 10), options.mtuA ?? 250, this.boot("a"));
    this.b = new Side(this, Uint8Array.of(2, 0, 0, 0, 0, 11), options.mtuB ?? 250, this.boot("b"));
  }

  /** A protocol without any memory, for one of the sides. */
  boot(name: "a" | "b", bootCount = 0): Protocol {
    const { seed = 1, randomA, randomB, hasAirtime, protectionA, protectionB } = this.#options;
    const isA = name === "a";
    const protection = isA ? protectionA : protectionB;
    const seeded = seededRandom(seed * 1000 + bootCount * 2 + (isA ? 0 : 1));
    return new Protocol((isA ? this.#options.a : this.#options.b) ?? {}, {
      mtuBytes: (isA ? this.#options.mtuA : this.#options.mtuB) ?? 250,
      random: (isA ? randomA : randomB) ?? seeded,
      ...(protection && { protection }),
      ...(hasAirtime && { airtimeUs: () => this.airUs }),
    });
  }

  schedule(atUs: number, run: () => void): void {
    this.#scheduled.push({ atUs, run });
  }

  /** Let time pass until `untilUs`, or until the condition holds. @returns whether it held */
  run(untilUs: number, condition: () => boolean = () => false): boolean {
    for (let turns = 0; ; turns++) {
      if (turns > TURNS_MAX) throw new Error("They do not come to rest.");
      this.pump(this.a);
      this.pump(this.b);
      if (condition()) return true;
      const nextUs = Math.min(
        this.a.protocol.timeoutUs,
        this.b.protocol.timeoutUs,
        ...this.#scheduled.map(({ atUs }) => atUs),
      );
      if (nextUs > untilUs) {
        this.nowUs = Math.max(this.nowUs, untilUs);
        return false;
      }
      this.nowUs = Math.max(this.nowUs, nextUs);
      const due = this.#scheduled.filter(({ atUs }) => atUs <= this.nowUs);
      this.#scheduled = this.#scheduled.filter(({ atUs }) => atUs > this.nowUs);
      for (const { run } of due) run();
      for (const { protocol } of [this.a, this.b])
        if (protocol.timeoutUs <= this.nowUs) protocol.handleTimeout(this.nowUs);
    }
  }

  pump(side: Side): void {
    side.drainEvents();
    const buffer = new Uint8Array(side.mtuBytes);
    while (side.outstanding < side.protocol.config.linkDepth) {
      const transmit = side.protocol.pollTransmit(buffer, this.nowUs);
      if (!transmit) break;
      this.#carry(side, transmit);
    }
    side.drainEvents();
  }

  #carry(from: Side, { address, datagram, ticket }: Transmit): void {
    const to = from.other;
    const { protocol } = from;
    const index = from.sentCount++;
    const each: OnWire = { from, to, datagram: datagram.slice(), atUs: this.nowUs, index };
    if (String(address) !== String(to.address)) throw new Error("A datagram to nobody.");
    this.log.push(each);
    from.outstanding++;
    const tell = (outcome: Outcome) => {
      from.outstanding--;
      if (from.protocol === protocol) protocol.handleSendOutcome(ticket, outcome, this.nowUs);
    };
    // One datagram at a time leaves each side.
    this.schedule(this.nowUs + this.airUs * from.outstanding, () => {
      const outcome = this.outcome(each);
      const isOnAir = outcome !== "refused" && outcome !== "gone";
      if (isOnAir && !this.lose(each)) this.deliver(to, each.datagram);
      if (outcome) tell(outcome);
      else this.held.push(tell);
    });
  }

  /** Put a datagram before a side as if it came from the other one. */
  deliver(to: Side, datagram: Uint8Array): void {
    to.protocol.handleDatagram(to.other.address, datagram.slice(), {}, this.nowUs);
  }

  /** Datagrams that one side has put on the wire. */
  sentBy(side: Side): Uint8Array[] {
    return this.log.filter(({ from }) => from === side).map(({ datagram }) => datagram);
  }
}
