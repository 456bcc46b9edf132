import type { Address, DatagramInfo, Link, LinkHandlers, SendOutcome } from "@fardel/core";

/** Who is told what passes over a link. All arrays are valid during the call only. */
export interface LinkObserver {
  /**
   * The outcome of a datagram is known: for one that left, this is when it left. Called before the
   * sender itself is told.
   */
  onSent?(to: Address, datagram: Uint8Array, outcome: SendOutcome): void;
  /** A datagram has arrived. Called before the receiver gets it. */
  onReceived?(from: Address, datagram: Uint8Array, info: DatagramInfo): void;
  /** The link went down or came back up. */
  onStatus?(status: "up" | "down"): void;
}

/**
 * A link that others can look at: hands everything on to the link inside, unchanged, and tells
 * observers of it. While there are none, a datagram takes the way it would take without.
 *
 * What an observer throws surfaces as an uncaught error of its own: it must not cost a datagram.
 */
export class ObservedLink implements Link {
  /** Not even a member where the link inside has none. */
  declare readonly localAddress?: Address;
  declare readonly broadcastAddress?: Address;
  declare readonly airtimeUs?: (datagramBytes: number) => number;
  readonly #inner: Link;
  readonly #observers = new Set<LinkObserver>();

  constructor(inner: Link) {
    this.#inner = inner;
    for (const name of ["localAddress", "broadcastAddress"] as const) {
      // Asked anew each time: some links learn their address while they are open.
      if (name in inner) Object.defineProperty(this, name, { get: () => inner[name] });
    }
    if (inner.airtimeUs) {
      this.airtimeUs = (datagramBytes) => inner.airtimeUs?.(datagramBytes) ?? 0;
    }
  }

  get mtuBytes(): number {
    return this.#inner.mtuBytes;
  }

  get outstandingMax(): number {
    return this.#inner.outstandingMax;
  }

  /** Tell somebody from now on. @returns a function that ends it */
  observe(observer: LinkObserver): () => void {
    this.#observers.add(observer);
    return () => void this.#observers.delete(observer);
  }

  open(handlers: LinkHandlers): void | Promise<void> {
    return this.#inner.open({
      onDatagram: (from, datagram, info) => {
        this.#tell((observer) => observer.onReceived?.(from, datagram, info));
        handlers.onDatagram(from, datagram, info);
      },
      onStatus: (status) => {
        this.#tell((observer) => observer.onStatus?.(status));
        handlers.onStatus?.(status);
      },
    });
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    if (this.#observers.size === 0) {
      this.#inner.send(to, datagram, done);
      return;
    }
    this.#inner.send(to, datagram, (outcome) => {
      this.#tell((observer) => observer.onSent?.(to, datagram, outcome));
      done(outcome);
    });
  }

  close(): void | Promise<void> {
    return this.#inner.close();
  }

  #tell(call: (observer: LinkObserver) => void): void {
    if (this.#observers.size === 0) return;
    for (const observer of this.#observers) {
      try {
        call(observer);
      } catch (error) {
        queueMicrotask(() => {
          throw error;
        });
      }
    }
  }
}
