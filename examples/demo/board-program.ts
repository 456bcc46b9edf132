import type { Address, Clock, Endpoint, FardelError, SendOptions } from "@fardel/core";
import { decodeValue, sendValue } from "@fardel/msgpack";
import { COMMAND_CHANNEL, CONFIGURATION_CHANNEL } from "./gateway-program.js";

/** How often the station measures, and how often it reports a switching of its fan. Invented. */
const TEMPERATURE_EVERY_US = 20_000;
const SWITCHING_EVERY_US = 60_000;
/** Nobody wants a reading that is older than this. */
const READING_DEADLINE_MS = 5_000;

/** What became of the readings of one kind. */
export interface ReadingCounts {
  sent: number;
  /** The gateway's endpoint has acknowledged it. */
  delivered: number;
  /** A newer one took its place before it was through. */
  replaced: number;
  failed: number;
}

/** What the board hears, in the order in which it comes. */
export interface BoardEvents {
  configured(bytes: Uint8Array): void;
  commanded(command: unknown): void;
}

/** The program of a row station: takes its configuration and commands, sends readings. */
export class BoardProgram {
  readonly temperatures: ReadingCounts = { sent: 0, delivered: 0, replaced: 0, failed: 0 };
  readonly switchings: ReadingCounts = { sent: 0, delivered: 0, replaced: 0, failed: 0 };
  readonly #endpoint: Endpoint;
  readonly #gateway: Address;
  readonly #clock: Clock;
  readonly #underWay = new Set<Promise<void>>();
  #isStopped = false;

  constructor(endpoint: Endpoint, gateway: Address, clock: Clock) {
    this.#endpoint = endpoint;
    this.#gateway = gateway;
    this.#clock = clock;
  }

  /** Runs until the endpoint is closed. */
  async listen(events: BoardEvents): Promise<void> {
    for await (const { way, channel, bytes } of this.#endpoint.messages()) {
      if (way !== "ordered") continue;
      if (channel === CONFIGURATION_CHANNEL) events.configured(bytes);
      if (channel === COMMAND_CHANNEL) events.commanded(decodeValue(bytes));
    }
  }

  /** Measures and reports until {@link stop}. */
  startReadings(): void {
    // The air temperature matters only as it is now: a newer value replaces an older one.
    this.#repeat(TEMPERATURE_EVERY_US, (turn) => {
      const airC = 0.8 - 0.01 * turn;
      this.#send(this.temperatures, { airC }, { way: "latest" });
    });
    // Each switching counts, and none needs to wait for the one before it.
    this.#repeat(SWITCHING_EVERY_US, (turn) => {
      this.#send(this.switchings, { fan: turn % 2 === 0 ? "on" : "off" }, { way: "unordered" });
    });
  }

  /** No more readings; resolves when it is settled what became of those sent. */
  async stop(): Promise<void> {
    this.#isStopped = true;
    await Promise.all(this.#underWay);
  }

  #send(counts: ReadingCounts, value: unknown, options: SendOptions): void {
    counts.sent++;
    const settled = sendValue(this.#endpoint.peer(this.#gateway), value, {
      ...options,
      deadlineMs: READING_DEADLINE_MS,
    }).then(
      ({ outcome }) => {
        if (outcome === "replaced") counts.replaced++;
        else counts.delivered++;
      },
      (_error: FardelError) => {
        counts.failed++;
      },
    );
    this.#underWay.add(settled);
    settled.then(() => this.#underWay.delete(settled));
  }

  #repeat(everyUs: number, run: (turn: number) => void, turn = 0): void {
    this.#clock.setTimer(this.#clock.nowUs() + everyUs, () => {
      if (this.#isStopped) return;
      run(turn);
      // Outside of the endpoint's own calls, a simulated clock is told that there is work to do.
      this.#clock.wakeWaiters?.();
      this.#repeat(everyUs, run, turn + 1);
    });
  }
}
