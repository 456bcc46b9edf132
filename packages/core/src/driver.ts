import type { Clock, TimerHandle } from "./clock.js";
import type { Address, DatagramInfo, Link, SendOutcome } from "./link.js";
import type { ProtocolEvent } from "./protocol/events.js";
import type { Peer } from "./protocol/peer.js";
import type { Protocol, Ticket, Transmit } from "./protocol/protocol.js";

/** How long closing waits for the link to let its last datagrams leave, microseconds. */
const CLOSE_WAIT_US = 250_000;

/** A place for one datagram at the link. */
interface Slot {
  readonly buffer: Uint8Array;
  ticket: Ticket | undefined;
  readonly done: (outcome: SendOutcome) => void;
}

/** Drives a protocol over a link and a clock: hands datagrams both ways, keeps one timer. */
export class Driver {
  readonly #slots: Slot[];
  readonly #free: Slot[];
  #timer: TimerHandle;
  #timerUs = Number.POSITIVE_INFINITY;
  #isPumping = false;
  #mustPumpAgain = false;
  #isPumpQueued = false;
  #state: "running" | "closing" | "closed" = "running";
  readonly #farewells: Transmit[] = [];
  #onAllSent: (() => void) | undefined;

  constructor(
    readonly link: Link,
    readonly clock: Clock,
    readonly protocol: Protocol,
    readonly onEvent: (event: ProtocolEvent) => void,
  ) {
    const depth = Math.max(1, Math.min(protocol.config.linkDepth, link.outstandingMax));
    this.#slots = Array.from({ length: depth }, () => this.#createSlot());
    this.#free = [...this.#slots];
  }

  get isRunning(): boolean {
    return this.#state === "running";
  }

  async open(): Promise<void> {
    await this.link.open({
      onDatagram: (from, datagram, info) => this.#handleDatagram(from, datagram, info),
      onStatus: (status) => {
        if (this.#state === "closed") return;
        this.protocol.handleLinkStatus(status, this.clock.nowUs());
        this.pump();
      },
    });
  }

  /** Everything that one turn of the event loop sends shares datagrams. */
  pumpSoon(): void {
    if (this.#isPumping) this.#mustPumpAgain = true;
    if (this.#isPumping || this.#isPumpQueued) return;
    this.#isPumpQueued = true;
    queueMicrotask(() => {
      this.#isPumpQueued = false;
      this.pump();
    });
  }

  /** Drain the protocol: events, datagrams for the link, the next timer. */
  pump(): void {
    if (this.#isPumping) {
      this.#mustPumpAgain = true;
      return;
    }
    this.#isPumping = true;
    try {
      do {
        this.#mustPumpAgain = false;
        this.#dispatchEvents();
        if (this.#state === "running") this.#transmit();
      } while (this.#mustPumpAgain);
    } finally {
      this.#isPumping = false;
    }
    if (this.#state === "running") this.#armTimer();
  }

  /** End the session with a peer, and tell it. */
  closePeer(peer: Peer, reason: number): void {
    const buffer = new Uint8Array(this.link.mtuBytes);
    const transmit = this.protocol.close(peer, reason, buffer, this.clock.nowUs());
    if (transmit) this.#farewells.push({ ...transmit, datagram: transmit.datagram.slice() });
    this.#sendFarewells();
  }

  /** CLOSE datagrams go before anything else, as the link has room for them. */
  #sendFarewells(): void {
    while (this.#free.length > 0) {
      const transmit = this.#farewells.shift();
      if (!transmit) return;
      this.#hand(this.#free.pop() as Slot, transmit);
    }
  }

  /** Tell every peer, then close the link. */
  async close(reason: number, onClosed: () => void): Promise<void> {
    if (this.#state !== "running") return;
    this.#state = "closing";
    for (const peer of [...this.protocol.peers]) this.closePeer(peer, reason);
    this.#dispatchEvents();
    // A virtual clock stands still unless its owner runs it: waiting on it could last for ever.
    if (!this.clock.wakeWaiters) await this.#allSent();
    this.#state = "closed";
    this.protocol.dropSessionless();
    this.clock.clearTimer(this.#timer);
    onClosed();
    this.clock.wakeWaiters?.();
    await this.link.close();
  }

  get #hasAllSent(): boolean {
    return this.#farewells.length === 0 && this.#free.length === this.#slots.length;
  }

  #allSent(): Promise<void> {
    if (this.#hasAllSent) return Promise.resolve();
    return new Promise((resolve) => {
      this.#onAllSent = resolve;
      this.clock.setTimer(this.clock.nowUs() + CLOSE_WAIT_US, resolve);
    });
  }

  #createSlot(): Slot {
    const slot: Slot = {
      buffer: new Uint8Array(this.link.mtuBytes),
      ticket: undefined,
      done: (outcome) => {
        const { ticket } = slot;
        if (!ticket) return;
        slot.ticket = undefined;
        this.#free.push(slot);
        if (this.#state === "closed") {
          ticket.body?.done("gone");
          return;
        }
        this.#sendFarewells();
        if (this.#hasAllSent) this.#onAllSent?.();
        this.protocol.handleSendOutcome(ticket, outcome, this.clock.nowUs());
        this.pump();
      },
    };
    return slot;
  }

  #handleDatagram(from: Address, datagram: Uint8Array, info: DatagramInfo): void {
    if (this.#state !== "running") return;
    this.protocol.handleDatagram(from, datagram, info, this.clock.nowUs());
    this.pump();
  }

  #transmit(): void {
    const nowUs = this.clock.nowUs();
    for (let slot = this.#free.pop(); slot; slot = this.#free.pop()) {
      const transmit = this.protocol.pollTransmit(slot.buffer, nowUs);
      if (!transmit) {
        this.#free.push(slot);
        return;
      }
      this.#hand(slot, transmit);
    }
  }

  #hand(slot: Slot, transmit: Transmit): void {
    slot.ticket = transmit.ticket;
    this.link.send(transmit.address, transmit.datagram, slot.done);
  }

  #armTimer(): void {
    const dueUs = this.protocol.timeoutUs;
    // A timer that is too early is left alone: waking once for nothing is cheaper than moving it.
    if (dueUs >= this.#timerUs && dueUs !== Number.POSITIVE_INFINITY) return;
    if (this.#timerUs !== Number.POSITIVE_INFINITY) this.clock.clearTimer(this.#timer);
    this.#timerUs = dueUs;
    if (dueUs === Number.POSITIVE_INFINITY) return;
    this.#timer = this.clock.setTimer(dueUs, () => {
      this.#timerUs = Number.POSITIVE_INFINITY;
      this.protocol.handleTimeout(this.clock.nowUs());
      this.pump();
    });
  }

  #dispatchEvents(): void {
    for (let event = this.protocol.pollEvent(); event; event = this.protocol.pollEvent())
      this.onEvent(event);
  }
}
