import type { Address, Clock, Link, LinkHandlers, SendOutcome } from "@fardel/core";
import type { CapturedDatagram } from "./captured.js";
import { ADDRESS_BYTES_MAX } from "./pseudo-header.js";
import { U32_MAX } from "./writer.js";

/**
 * The same link, with all that passes over it told to `sink`: what was sent when its outcome is
 * known, what arrives before its receiver gets it. The arrays are copies. What the sink throws
 * surfaces as an uncaught error of its own: it costs no datagram.
 *
 * ```ts
 * const link = recordLink(radio, clock, (datagram) => pieces.push(writer.datagram(datagram)));
 * const endpoint = await Endpoint.open({ link, clock });
 * ```
 * @param clock - times are counted from now
 */
export function recordLink(
  link: Link,
  clock: Clock,
  sink: (datagram: CapturedDatagram) => void,
): Link {
  return new RecordedLink(link, clock, sink);
}

class RecordedLink implements Link {
  /** Not even a member where the link inside has none. */
  declare readonly localAddress?: Address;
  declare readonly broadcastAddress?: Address;
  declare readonly airtimeUs?: (datagramBytes: number) => number;
  readonly #startUs: number;

  constructor(
    readonly inner: Link,
    readonly clock: Clock,
    readonly sink: (datagram: CapturedDatagram) => void,
  ) {
    this.#startUs = clock.nowUs();
    for (const name of ["localAddress", "broadcastAddress"] as const) {
      // Asked anew each time: some links learn their address while they are open.
      if (name in inner) Object.defineProperty(this, name, { get: () => inner[name] });
    }
    if (inner.airtimeUs) {
      this.airtimeUs = (datagramBytes) => inner.airtimeUs?.(datagramBytes) ?? 0;
    }
  }

  get mtuBytes(): number {
    return this.inner.mtuBytes;
  }

  get outstandingMax(): number {
    return this.inner.outstandingMax;
  }

  open(handlers: LinkHandlers): void | Promise<void> {
    const { inner } = this;
    return inner.open({
      ...handlers,
      onDatagram: (from, datagram, info) => {
        const { rssiDbm, radioChannel } = info;
        this.#tell({
          atUs: this.clock.nowUs() - this.#startUs,
          direction: "received",
          ...addresses(from, inner.localAddress),
          bytes: datagram.slice(),
          ...(rssiDbm !== undefined && { rssiDbm }),
          ...(radioChannel !== undefined && { radioChannel }),
        });
        handlers.onDatagram(from, datagram, info);
      },
    });
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    const handedUs = this.clock.nowUs();
    this.inner.send(to, datagram, (outcome) => {
      const nowUs = this.clock.nowUs();
      this.#tell({
        atUs: nowUs - this.#startUs,
        direction: "sent",
        ...addresses(this.inner.localAddress, to),
        bytes: datagram.slice(),
        outcome,
        tookUs: Math.min(U32_MAX, nowUs - handedUs),
      });
      done(outcome);
    });
  }

  close(): void | Promise<void> {
    return this.inner.close();
  }

  #tell(datagram: CapturedDatagram): void {
    try {
      this.sink(datagram);
    } catch (error) {
      queueMicrotask(() => {
        throw error;
      });
    }
  }
}

/** Those that are known, and that a capture can hold. */
function addresses(from: Address | undefined, to: Address | undefined) {
  return { ...(isKept(from) && { from: from.slice() }), ...(isKept(to) && { to: to.slice() }) };
}

function isKept(address: Address | undefined): address is Address {
  return address !== undefined && address.length > 0 && address.length <= ADDRESS_BYTES_MAX;
}
