import type { Clock, Sessionless, TimerHandle } from "@fardel/core";

/** A body to send. */
export interface PairTransmit {
  readonly to: Uint8Array;
  readonly body: Uint8Array;
}

/** What both sides of a pairing have in common. */
export interface PairMachine<Event> {
  readonly timeoutUs: number;
  handleTimeout(nowUs: number): void;
  pollEvent(): Event | undefined;
  pollTransmit(): PairTransmit | undefined;
}

/** Where a machine meets time and the endpoint. */
export class MachineRunner<Event> {
  readonly #machine: PairMachine<Event>;
  readonly #sessionless: Sessionless;
  readonly #clock: Clock;
  readonly #onEvent: (event: Event) => void;
  readonly #onClosed: (cause: unknown) => void;
  #timer: TimerHandle | undefined;
  #timerUs = Number.POSITIVE_INFINITY;
  #isPumping = false;
  #isClosed = false;

  /** @param onClosed - the endpoint takes nothing any more */
  constructor(
    machine: PairMachine<Event>,
    sessionless: Sessionless,
    clock: Clock,
    onEvent: (event: Event) => void,
    onClosed: (cause: unknown) => void,
  ) {
    this.#machine = machine;
    this.#sessionless = sessionless;
    this.#clock = clock;
    this.#onEvent = onEvent;
    this.#onClosed = onClosed;
  }

  /** After each input and command: take what there is to take, and set the timer. */
  pump(): void {
    if (this.#isPumping || this.#isClosed) return;
    this.#isPumping = true;
    try {
      while (!this.#isClosed && this.#takeOne());
    } finally {
      this.#isPumping = false;
    }
    this.#setTimer();
  }

  close(): void {
    this.#isClosed = true;
    this.#clearTimer();
    this.#sessionless.close();
  }

  /** An event may lead to more to send, and the other way round. */
  #takeOne(): boolean {
    const transmit = this.#machine.pollTransmit();
    if (transmit) {
      // What the link says of it is of no use: only the next step tells that it arrived.
      this.#sessionless.send(transmit.to, transmit.body).catch(this.#onClosed);
      this.#clock.wakeWaiters?.();
      return true;
    }
    const event = this.#machine.pollEvent();
    if (event) this.#onEvent(event);
    return event !== undefined;
  }

  #setTimer(): void {
    const { timeoutUs } = this.#machine;
    if (this.#isClosed || timeoutUs === this.#timerUs) return;
    this.#clearTimer();
    if (timeoutUs === Number.POSITIVE_INFINITY) return;
    this.#timerUs = timeoutUs;
    this.#timer = this.#clock.setTimer(timeoutUs, () => {
      this.#timer = undefined;
      this.#timerUs = Number.POSITIVE_INFINITY;
      this.#machine.handleTimeout(this.#clock.nowUs());
      this.pump();
    });
  }

  #clearTimer(): void {
    if (this.#timer !== undefined) this.#clock.clearTimer(this.#timer);
    this.#timer = undefined;
    this.#timerUs = Number.POSITIVE_INFINITY;
  }
}
