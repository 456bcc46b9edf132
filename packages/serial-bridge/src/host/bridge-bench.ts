import type { Address, Link } from "@fardel/core";
import { Bridge } from "../bridge/bridge.js";
import { linkRadio } from "../bridge/link-radio.js";
import { MemoryLine } from "../memory-port.js";
import { SerialBridgeLink } from "../serial-bridge-link.js";
import type { RunnableClock } from "./fake-board.js";

/** For tests: hosts behind the reference bridge, in virtual time. */

/** A host, its line, its bridge. */
export interface Gateway {
  readonly line: MemoryLine;
  readonly bridge: Bridge;
  readonly link: SerialBridgeLink;
}

export interface OrchardOptions {
  readonly clock: RunnableClock;
  /** A radio at this address; the arrays and the medium are the test's. */
  readonly attach: (address: Address) => Link;
  /** Uniform unsigned 32-bit numbers. */
  readonly random: () => number;
  readonly bitRate?: number;
  readonly queue?: number;
}

/** Some stations, and gateways that reach them by radio. */
export class Orchard {
  readonly #options: OrchardOptions;
  #stations = 0;

  constructor(options: OrchardOptions) {
    this.#options = options;
  }

  get clock(): RunnableClock {
    return this.#options.clock;
  }

  /** A station that needs no bridge. */
  station(): Link {
    return this.#options.attach(Uint8Array.of(2, 0, 0, 0, 0, ++this.#stations));
  }

  /** A host that has found its bridge. */
  async gateway(): Promise<Gateway> {
    const { clock, random, bitRate = 921_600, queue = 4 } = this.#options;
    const line = new MemoryLine({ clock, seed: random() });
    const radio = linkRadio(this.station());
    const bridge = await this.settled(
      Bridge.start({ source: line.board, radio, clock, bitRate, queue, random }),
    );
    return { line, bridge, link: await this.connect(line) };
  }

  connect(line: MemoryLine): Promise<SerialBridgeLink> {
    const { clock, random, bitRate = 921_600 } = this.#options;
    return this.settled(SerialBridgeLink.connect(line.host, { clock, bitRate, random }));
  }

  /** Let time pass until a promise is settled. */
  async settled<T>(promise: Promise<T>, withinUs = 600_000_000): Promise<T> {
    let isSettled = false;
    const note = () => {
      isSettled = true;
    };
    promise.then(note, note);
    const untilUs = this.clock.nowUs() + withinUs;
    await this.clock.run({ until: () => isSettled, untilUs });
    if (!isSettled) throw new Error(`Not settled after ${withinUs / 1e6} s.`);
    return promise;
  }

  async pass(durationUs: number): Promise<void> {
    await this.clock.run({ untilUs: this.clock.nowUs() + durationUs });
  }
}
