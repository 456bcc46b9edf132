import type { Address, Clock, Link, LinkHandlers, SendOutcome, TimerHandle } from "@fardel/core";
import type { LossyLink } from "@fardel/lossy-link";
import { BrokenPromise } from "./oracle.js";
import { sameBytes } from "./payload.js";
import type { QueuePlan } from "./scenario.js";
import type { BootWatch } from "./watch.js";

/** What lies between a boot and its radio. */
export interface BootLinkSetting {
  /** At most the radio's. */
  readonly mtuBytes: number;
  /** How many datagrams the endpoint may have handed over at once. */
  readonly depth: number;
  /** A queue that is not the endpoint's alone, or that nobody sees. */
  readonly queue?: QueuePlan & { readonly clock: Clock };
  readonly watch?: BootWatch;
}

/**
 * What one boot of an endpoint has of a station's radio. The radio outlives the boot: what was
 * queued still leaves, and what was sent to the old boot reaches the new one.
 *
 * It also holds the endpoint to its side of the link contract.
 */
export class BootLink implements Link {
  readonly outstandingMax: number;
  readonly localAddress: Address;
  readonly mtuBytes: number;
  #handlers: LinkHandlers | undefined;
  #outstanding = 0;
  /** Behind a link that says `sent` at once: what has not left yet. */
  readonly #hidden: { readonly to: Address; readonly datagram: Uint8Array }[] = [];
  #isForwarding = false;

  constructor(
    readonly radio: LossyLink,
    readonly setting: BootLinkSetting,
  ) {
    this.outstandingMax = radio.outstandingMax;
    this.localAddress = radio.localAddress;
    this.mtuBytes = setting.mtuBytes;
  }

  airtimeUs(datagramBytes: number): number {
    return this.radio.airtimeUs(datagramBytes);
  }

  open(handlers: LinkHandlers): void {
    this.#handlers = handlers;
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    if (datagram.length > this.mtuBytes)
      throw new BrokenPromise(`A datagram of ${datagram.length} bytes, MTU ${this.mtuBytes}.`);
    if (++this.#outstanding > Math.min(this.setting.depth, this.outstandingMax))
      throw new BrokenPromise(`${this.#outstanding} datagrams handed over at once.`);
    this.setting.watch?.noteHandedOver(to, datagram);
    const copy = datagram.slice();
    const end = (outcome: SendOutcome) => {
      if (!this.#handlers) return;
      if (!sameBytes(copy, datagram))
        throw new BrokenPromise("A datagram was changed before its outcome was in.");
      this.#outstanding--;
      done(outcome);
    };
    const { queue } = this.setting;
    if (queue) this.#queue(queue, to, datagram, end);
    else this.radio.send(to, datagram, end);
  }

  #queue(
    { fullUs, hidden, clock }: QueuePlan & { readonly clock: Clock },
    to: Address,
    datagram: Uint8Array,
    end: (outcome: SendOutcome) => void,
  ): void {
    const nowUs = clock.nowUs();
    if (fullUs.some(([fromUs, toUs]) => nowUs >= fromUs && nowUs < toUs))
      clock.setTimer(nowUs, () => end("refused"));
    else if (hidden === 0) this.radio.send(to, datagram, end);
    else {
      // What does not fit is dropped, and nobody is told.
      if (this.#hidden.length < hidden)
        this.#hidden.push({ to: to.slice(), datagram: datagram.slice() });
      clock.setTimer(nowUs, () => end("sent"));
      this.#forward();
    }
  }

  #forward(): void {
    if (this.#isForwarding) return;
    const next = this.#hidden.shift();
    if (!next) return;
    this.#isForwarding = true;
    this.radio.send(next.to, next.datagram, () => {
      this.#isForwarding = false;
      this.#forward();
    });
  }

  /** From the radio. */
  receive(...[from, datagram, info]: Parameters<LinkHandlers["onDatagram"]>): void {
    if (datagram.length > this.mtuBytes || !this.#handlers) return;
    this.setting.watch?.noteReceived(from, datagram);
    this.#handlers.onDatagram(from, datagram, info);
    this.setting.watch?.noteTaken(from, datagram);
  }

  tellStatus(status: "up" | "down"): void {
    this.#handlers?.onStatus?.(status);
  }

  close(): void {
    this.#handlers = undefined;
  }
}

/** Time as one boot sees it: it stops for good when the boot is abandoned. */
export class BootClock implements Clock {
  #isRunning = true;

  constructor(readonly clock: Clock) {}

  stop(): void {
    this.#isRunning = false;
  }

  nowUs(): number {
    return this.clock.nowUs();
  }

  setTimer(atUs: number, run: () => void): TimerHandle {
    return this.clock.setTimer(atUs, () => {
      if (this.#isRunning) run();
    });
  }

  clearTimer(handle: TimerHandle): void {
    this.clock.clearTimer(handle);
  }

  wakeWaiters(): void {
    this.clock.wakeWaiters?.();
  }
}
