import type { Address, Link, LinkHandlers, SendOutcome } from "@fardel/core";
import type { VirtualClock } from "@fardel/lossy-link";

/** Time from `send` to delivery and outcome, µs. */
const HOP_US = 10;
const MTU_BYTES = 250;

/** One datagram that reached the gateway. */
export interface Recorded {
  readonly atUs: number;
  readonly from: Address;
  readonly datagram: Uint8Array;
}

/**
 * A gateway and any number of boards without loss, and with next to nothing of its own in memory and
 * time: what is measured is the endpoint.
 */
export class Star {
  readonly recorded: Recorded[] = [];
  readonly #clock: VirtualClock;
  readonly #handlers = new Map<string, LinkHandlers>();

  constructor(clock: VirtualClock) {
    this.#clock = clock;
  }

  /** A station; what reaches the one at `gateway` is recorded. */
  link(address: Address, gateway: Address): Link {
    return {
      mtuBytes: MTU_BYTES,
      outstandingMax: 64,
      localAddress: address,
      open: (handlers) => {
        this.#handlers.set(String(address), handlers);
      },
      send: (to, datagram, done) => this.#carry(address, to, datagram, done, gateway),
      close: () => {
        this.#handlers.delete(String(address));
      },
    };
  }

  #carry(
    from: Address,
    to: Address,
    datagram: Uint8Array,
    done: (outcome: SendOutcome) => void,
    gateway: Address,
  ): void {
    const atUs = this.#clock.nowUs() + HOP_US;
    this.#clock.setTimer(atUs, () => {
      if (to.every((byte, i) => byte === gateway[i])) {
        this.recorded.push({ atUs, from, datagram: datagram.slice() });
      }
      this.#handlers.get(String(to))?.onDatagram(from, datagram, {});
      done("sent");
    });
  }
}

/** The gateway's side of a star, alone: what it sends is gone, what reaches it is played to it. */
export class Playback {
  #handlers: LinkHandlers | undefined;
  readonly #clock: VirtualClock;

  constructor(clock: VirtualClock) {
    this.#clock = clock;
  }

  link(address: Address): Link {
    return {
      mtuBytes: MTU_BYTES,
      outstandingMax: 64,
      localAddress: address,
      open: (handlers) => {
        this.#handlers = handlers;
      },
      send: (_to, _datagram, done) => {
        this.#clock.setTimer(this.#clock.nowUs() + HOP_US, () => done("sent"));
      },
      close: () => {
        this.#handlers = undefined;
      },
    };
  }

  play(recorded: readonly Recorded[]): void {
    for (const { atUs, from, datagram } of recorded) {
      this.#clock.runSync(atUs);
      this.#handlers?.onDatagram(from, datagram, {});
    }
  }
}
