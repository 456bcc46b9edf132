import type { Address, Clock, Link, LinkHandlers, SendOutcome, TimerHandle } from "@fardel/core";
import type { LossyLink } from "@fardel/lossy-link";
import { BrokenPromise } from "./oracle.js";
import { sameBytes } from "./payload.js";

/**
 * What one boot of an endpoint has of a station's radio. The radio outlives the boot: what was
 * queued still leaves, and what was sent to the old boot reaches the new one.
 *
 * It also holds the endpoint to its side of the link contract.
 */
export class BootLink implements Link {
  readonly outstandingMax: number;
  readonly localAddress: Address;
  #handlers: LinkHandlers | undefined;
  #outstanding = 0;

  /**
   * @param mtuBytes - at most the station's
   * @param depth - how many datagrams the endpoint may have handed over at once
   */
  constructor(
    readonly radio: LossyLink,
    readonly mtuBytes: number,
    readonly depth: number,
  ) {
    this.outstandingMax = radio.outstandingMax;
    this.localAddress = radio.localAddress;
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
    if (++this.#outstanding > Math.min(this.depth, this.outstandingMax))
      throw new BrokenPromise(`${this.#outstanding} datagrams handed over at once.`);
    const copy = datagram.slice();
    this.radio.send(to, datagram, (outcome) => {
      if (!this.#handlers) return;
      if (!sameBytes(copy, datagram))
        throw new BrokenPromise("A datagram was changed before its outcome was in.");
      this.#outstanding--;
      done(outcome);
    });
  }

  /** From the radio. */
  receive(...[from, datagram, info]: Parameters<LinkHandlers["onDatagram"]>): void {
    if (datagram.length <= this.mtuBytes) this.#handlers?.onDatagram(from, datagram, info);
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
