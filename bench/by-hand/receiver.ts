import type { Address, Link } from "@fardel/core";
import { decodeFragment, encodeAck } from "./fragments.js";

export interface ReceiverOptions {
  readonly link: Link;
  /** Whether each fragment is acknowledged, repeated ones too: their ack may have been lost. */
  readonly acks: boolean;
  /** A message is there, whole; once for each. */
  readonly onMessage: (bytes: Uint8Array) => void;
}

/**
 * The receiving side of both protocols. It has one message under way: a fragment of another one
 * discards it. What it holds is at most 65535 fragments.
 */
export class Receiver {
  readonly #options: ReceiverOptions;
  #message = -1;
  #count = 0;
  #fragments = new Map<number, Uint8Array>();
  #heldBytes = 0;
  #isWhole = false;

  constructor(options: ReceiverOptions) {
    this.#options = options;
  }

  /** Bytes that have arrived of the message under way, each counted once. */
  get heldBytes(): number {
    return this.#heldBytes;
  }

  handleDatagram(from: Address, datagram: Uint8Array): void {
    const fragment = decodeFragment(datagram);
    if (!fragment) return;
    const { message, index, count, bytes } = fragment;
    if (message !== this.#message || count !== this.#count) this.#begin(message, count);
    // The link's bytes are its own again after this call; so is the address.
    if (this.#options.acks) {
      this.#options.link.send(from.slice(), encodeAck({ message, index }), () => {});
    }
    if (this.#isWhole || this.#fragments.has(index)) return;
    this.#fragments.set(index, bytes.slice());
    this.#heldBytes += bytes.length;
    if (this.#fragments.size === count) this.#finish();
  }

  #begin(message: number, count: number): void {
    this.#message = message;
    this.#count = count;
    this.#fragments.clear();
    this.#heldBytes = 0;
    this.#isWhole = false;
  }

  #finish(): void {
    const whole = new Uint8Array(this.#heldBytes);
    let offset = 0;
    for (let index = 0; index < this.#count; index++) {
      const bytes = this.#fragments.get(index) as Uint8Array;
      whole.set(bytes, offset);
      offset += bytes.length;
    }
    this.#isWhole = true;
    this.#fragments.clear();
    this.#options.onMessage(whole);
  }
}
