import {
  type Address,
  type Clock,
  Endpoint,
  type Link,
  PROTECTED_MTU_MIN,
  type TimerHandle,
} from "@fardel/core";
import { encodeValue } from "@fardel/msgpack";
import type { KeyRing } from "@fardel/pairing";
import { arrivalOf } from "../arrival.js";
import { FindableBoard } from "./findable-board.js";

/** How a {@link SimulatedBoard} is made. */
export interface SimulatedBoardOptions {
  readonly link: Link;
  readonly clock: Clock;
  /** To whom its readings go. */
  readonly gateway: Address;
  /** Row of the orchard that it stands in, from 1. */
  readonly row: number;
  /** Time between two readings, microseconds; `undefined`: it sends none. */
  readonly everyUs: number | undefined;
  /** The keys that it has. */
  readonly ring: KeyRing;
  /** Left out: it neither announces itself nor answers who looks for it or wants to pair. */
  readonly findable?: {
    readonly address: Address;
    readonly isInPairingMode: boolean;
    /** Uniform unsigned 32-bit numbers. */
    readonly random: () => number;
    readonly onShortCode: (shortCode: string) => void;
  };
}

/** How the board of a row calls itself. */
export function boardName(row: number): string {
  return `row-${row}`;
}

/**
 * A board for trials: takes every message whole and forgets it, answers a request with what has
 * arrived, and sends readings if it is told to. Its temperatures are invented.
 */
export class SimulatedBoard {
  readonly #endpoint: Endpoint;
  readonly #options: SimulatedBoardOptions;
  readonly #findable: FindableBoard | undefined;
  #timer: TimerHandle;
  #readings = 0;

  static async open(options: SimulatedBoardOptions): Promise<SimulatedBoard> {
    const { link, clock, ring } = options;
    const protection = link.mtuBytes >= PROTECTED_MTU_MIN && { protection: ring };
    const endpoint = await Endpoint.open({ link, clock, ...protection });
    const board = new SimulatedBoard(endpoint, options);
    void board.#answer();
    if (options.everyUs !== undefined) board.#wait(options.everyUs);
    return board;
  }

  private constructor(endpoint: Endpoint, options: SimulatedBoardOptions) {
    this.#endpoint = endpoint;
    this.#options = options;
    endpoint.onMessage(() => {});
    const { clock, link, findable, ring, row } = options;
    if (!findable) return;
    const { mtuBytes } = link;
    const name = boardName(row);
    this.#findable = new FindableBoard({ endpoint, clock, mtuBytes, name, ring, ...findable });
  }

  close(): Promise<void> {
    this.#options.clock.clearTimer(this.#timer);
    this.#findable?.close();
    return this.#endpoint.close();
  }

  async #answer(): Promise<void> {
    for await (const request of this.#endpoint.requests()) {
      // Whoever asked may be gone by now.
      request.reply(encodeValue(arrivalOf(request.bytes))).catch(() => {});
    }
  }

  #wait(everyUs: number): void {
    const { clock } = this.#options;
    this.#timer = clock.setTimer(clock.nowUs() + everyUs, () => {
      this.#wait(everyUs);
      this.#send();
    });
  }

  /** A night with frost in it, in steps of a tenth of a degree. */
  #send(): void {
    const { gateway, row } = this.#options;
    const number = this.#readings++;
    const airC = Math.round(10 * (1.5 - 3 * Math.sin(number / 20 + row))) / 10;
    const reading = encodeValue({ row, airC, number });
    this.#endpoint
      .peer(gateway)
      .send(reading, { way: "latest" })
      .catch(() => {});
    // A virtual clock does not wait for microtasks of its own accord.
    this.#endpoint.flush();
  }
}
