import type { DatagramInfo } from "@fardel/core";
import type { Station } from "./link.js";
import type { Path } from "./path.js";

/** One datagram on its way to one receiver, in a buffer of its own. Pooled. */
export class Delivery {
  readonly #buffer: Uint8Array;
  #bytes: Uint8Array;
  path!: Path;
  to!: Station;
  info: DatagramInfo = {};
  frame = 0;
  leftAtUs = 0;
  corrupted = false;
  copy = false;
  /** Set as a timer as it is, where it goes out of turn: no datagram needs a function of its own. */
  readonly arrive: () => void;

  constructor(bytesMax: number, whenDue: (delivery: Delivery) => void) {
    this.#buffer = new Uint8Array(bytesMax);
    this.#bytes = this.#buffer;
    this.arrive = () => whenDue(this);
  }

  /** The datagram. */
  get bytes(): Uint8Array {
    return this.#bytes;
  }

  /** Takes the one copy that is made on the way. */
  load(datagram: Uint8Array): void {
    const { length } = datagram;
    // Most datagrams are as long as the one before: then the view is still right.
    if (this.#bytes.length !== length) this.#bytes = this.#buffer.subarray(0, length);
    this.#bytes.set(datagram);
  }
}
