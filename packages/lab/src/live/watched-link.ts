import type { Address, Link, LinkHandlers, SendOutcome } from "@fardel/core";

/** The same link; somebody more is told when it goes down and comes back. */
export function watchedLink(inner: Link, onStatus: (status: "up" | "down") => void): Link {
  return new WatchedLink(inner, onStatus);
}

class WatchedLink implements Link {
  /** Not even a member where the link inside has none. */
  declare readonly localAddress?: Address;
  declare readonly broadcastAddress?: Address;
  declare readonly airtimeUs?: (datagramBytes: number) => number;
  readonly #inner: Link;
  readonly #onStatus: (status: "up" | "down") => void;

  constructor(inner: Link, onStatus: (status: "up" | "down") => void) {
    this.#inner = inner;
    this.#onStatus = onStatus;
    for (const name of ["localAddress", "broadcastAddress"] as const) {
      // Asked anew each time: some links learn their address while they are open.
      if (name in inner) Object.defineProperty(this, name, { get: () => inner[name] });
    }
    if (inner.airtimeUs) this.airtimeUs = (bytes) => inner.airtimeUs?.(bytes) ?? 0;
  }

  get mtuBytes(): number {
    return this.#inner.mtuBytes;
  }

  get outstandingMax(): number {
    return this.#inner.outstandingMax;
  }

  open(handlers: LinkHandlers): void | Promise<void> {
    return this.#inner.open({
      onDatagram: (from, datagram, info) => handlers.onDatagram(from, datagram, info),
      onStatus: (status) => {
        this.#onStatus(status);
        handlers.onStatus?.(status);
      },
    });
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    this.#inner.send(to, datagram, done);
  }

  close(): void | Promise<void> {
    return this.#inner.close();
  }
}
