import { type Address, type Clock, Endpoint, type Link, type TimerHandle } from "@fardel/core";
import { encodeValue } from "@fardel/msgpack";
import { arrivalOf } from "../arrival.js";

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
}

/**
 * A board for trials: takes every message whole and forgets it, answers a request with what has
 * arrived, and sends readings if it is told to. Its temperatures are invented.
 */
export class SimulatedBoard {
  readonly #endpoint: Endpoint;
  readonly #options: SimulatedBoardOptions;
  #timer: TimerHandle;
  #readings = 0;

  static async open(options: SimulatedBoardOptions): Promise<SimulatedBoard> {
    const { link, clock } = options;
    const board = new SimulatedBoard(await Endpoint.open({ link, clock }), options);
    void board.#answer();
    if (options.everyUs !== undefined) board.#wait(options.everyUs);
    return board;
  }

  private constructor(endpoint: Endpoint, options: SimulatedBoardOptions) {
    this.#endpoint = endpoint;
    this.#options = options;
    endpoint.onMessage(() => {});
  }

  close(): Promise<void> {
    this.#options.clock.clearTimer(this.#timer);
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
