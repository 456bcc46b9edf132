import type { DatagramInfo, Link, LinkHandlers, SendOutcome } from "@fardel/core";
import type { LossyLink } from "@fardel/lossy-link";
import type { Accounts } from "./accounts.js";
import { keyOf } from "./forge.js";
import type { Overheard } from "./overheard.js";
import { ATTACKER, GOOD, isOurs } from "./stations.js";

/** Datagrams that an attacker keeps of what the victim sent to one of its addresses. */
const RECEIVED_MAX = 64;

/**
 * The victim's radio. What is for an address of the attacker's goes to the attacker's radio; everything
 * that goes in and out is watched.
 */
export class VictimRadio {
  /** Airtime of what was sent to the attacker, microseconds. */
  airUs = 0;
  /** Real time that the endpoint has taken for each datagram, milliseconds. */
  readonly callsMs: Readonly<Record<"hostile" | "good", number[]>> = { hostile: [], good: [] };
  /** The attacker's datagrams are heard elsewhere: they name other sources. */
  onHostile: (datagram: Uint8Array, info: DatagramInfo) => void = () => {};
  onUnbalanced: (error: unknown) => void = () => {};
  readonly #received = new Map<string, Uint8Array[]>();
  #handlers: LinkHandlers | undefined;

  constructor(
    readonly radio: LossyLink,
    readonly accounts: Accounts,
    readonly overheard: Overheard,
  ) {
    radio.open({ onDatagram: (...heard) => this.#hear(...heard) });
  }

  /** What one incarnation of the victim has of its radio; the one before is cut off without a word. */
  boot(): Link {
    const { radio } = this;
    let handlers: LinkHandlers | undefined;
    this.#handlers = undefined;
    return {
      mtuBytes: radio.mtuBytes,
      outstandingMax: radio.outstandingMax,
      localAddress: radio.localAddress,
      airtimeUs: (bytes) => radio.airtimeUs(bytes),
      open: (given) => {
        this.#handlers = handlers = given;
      },
      send: (to, datagram, done) => {
        if (handlers && handlers === this.#handlers) this.#send(to, datagram, done);
        else queueMicrotask(() => done("gone"));
      },
      close: () => {
        handlers = undefined;
      },
    };
  }

  /** Keep what is sent to this address, newest last. */
  receiveAt(address: Uint8Array): readonly Uint8Array[] {
    const received: Uint8Array[] = [];
    this.#received.set(keyOf(address), received);
    return received;
  }

  /** Give the victim a datagram, and take the time. */
  give(kind: "hostile" | "good", from: Uint8Array, datagram: Uint8Array, info: DatagramInfo): void {
    const startedMs = performance.now();
    this.#handlers?.onDatagram(from, datagram, info);
    this.callsMs[kind].push(performance.now() - startedMs);
  }

  #hear(from: Uint8Array, datagram: Uint8Array, info: DatagramInfo): void {
    const key = keyOf(from);
    if (key === keyOf(ATTACKER)) {
      this.onHostile(datagram, info);
      return;
    }
    if (key === keyOf(GOOD)) this.overheard.note("good", datagram);
    this.give("good", from, datagram, info);
  }

  #send(to: Uint8Array, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    const { radio } = this;
    if (keyOf(to) === keyOf(GOOD)) this.overheard.note("victim", datagram);
    if (isOurs(to)) {
      radio.send(to, datagram, done);
      return;
    }
    try {
      this.accounts.noteOut(to, datagram);
    } catch (error) {
      this.onUnbalanced(error);
    }
    const received = this.#received.get(keyOf(to));
    if (received) {
      received.push(datagram.slice());
      if (received.length > RECEIVED_MAX) received.shift();
    }
    this.airUs += radio.airtimeUs(datagram.length);
    radio.send(ATTACKER, datagram, done);
  }
}
