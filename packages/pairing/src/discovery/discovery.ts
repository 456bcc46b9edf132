import {
  type Address,
  type Clock,
  type Endpoint,
  FardelError,
  SESSIONLESS_KIND,
  type Sessionless,
  SystemClock,
} from "@fardel/core";
import { invalidOption, PairingError } from "../pairing-error.js";
import {
  type ChannelPlan,
  type DiscoverOptions,
  type DiscoverPlan,
  planOf,
} from "./discover-options.js";
import type { Found } from "./found-table.js";
import { MachineTimer } from "./machine-timer.js";
import { Searcher } from "./searcher.js";

/**
 * A search that is under way. Made by {@link discover}.
 *
 * Read it with `for await`: each board once, when it is found; leaving the loop ends the search. Or wait for {@link all}.
 * Boards that wait for a slow reader are bounded by `foundMax`, as is all else that is kept.
 */
export class Discovery implements AsyncIterable<Found> {
  readonly #plan: DiscoverPlan;
  readonly #clock: Clock;
  readonly #searcher: Searcher;
  readonly #queries: Sessionless;
  readonly #announcements: Sessionless;
  readonly #timer: MachineTimer;
  readonly #onFound: ((found: Found) => void) | undefined;
  readonly #endUs: number;
  /** Called at the end of the visit to a channel. */
  #leave: (() => void) | undefined;
  #channel: number | undefined;
  #isStopped = false;
  #isOver = false;
  #error: unknown;
  #waiters: (() => void)[] = [];

  /** Use {@link discover}. @throws {@link PairingError} `invalid-option` */
  constructor(endpoint: Endpoint, options: DiscoverOptions) {
    this.#plan = planOf(options);
    this.#clock = options.clock ?? new SystemClock();
    this.#onFound = options.onFound;
    this.#endUs = this.#clock.nowUs() + this.#plan.durationUs;
    this.#queries = endpoint.sessionless(SESSIONLESS_KIND.query, () => {});
    this.#announcements = endpoint.sessionless(SESSIONLESS_KIND.announce, (from, body, info) => {
      const { radioChannel = this.#channel } = info;
      const told = { ...info, ...(radioChannel !== undefined && { radioChannel }) };
      const nowUs = this.#clock.nowUs();
      const heard = this.#searcher.handleAnnouncement(from, body, told, nowUs);
      if (heard === "new") this.#handleFound(from, nowUs);
    });
    const { foundMax, random, filter } = this.#plan;
    const { bodyBytesMax, broadcastAddress } = this.#queries;
    if (!broadcastAddress && this.#plan.mode !== "listen") {
      this.#close();
      throw invalidOption("mode", "this link cannot reach everybody at once: only listen works");
    }
    this.#searcher = new Searcher({ ...filter, bodyBytesMax, foundMax, random });
    this.#timer = new MachineTimer(this.#clock, () => this.#pump());
    const { signal } = options;
    const onAbort = () => this.stop();
    signal?.addEventListener("abort", onAbort);
    if (signal?.aborted) this.#isStopped = true;
    void this.#run().finally(() => signal?.removeEventListener("abort", onAbort));
  }

  /** Everybody who is remembered now, with the latest of what was heard; the one heard longest ago first. */
  found(): Found[] {
    return this.#searcher.found(this.#clock.nowUs());
  }

  /**
   * Everybody who was found, at the end of the search.
   * @throws {@link PairingError} `endpoint-closed`; or whatever `setChannel` fails with
   */
  async all(): Promise<Found[]> {
    while (!this.#isOver) await this.#change();
    if (this.#error !== undefined) throw this.#error;
    return this.found();
  }

  /** End it now; what was found until then counts. May be called twice. */
  stop(): void {
    this.#isStopped = true;
    this.#leave?.();
  }

  [Symbol.asyncIterator](): AsyncIterableIterator<Found> {
    const iterator: AsyncIterableIterator<Found> = {
      next: () => this.#next(),
      return: () => {
        this.stop();
        return Promise.resolve({ done: true, value: undefined });
      },
      [Symbol.asyncIterator]: () => iterator,
    };
    return iterator;
  }

  async #next(): Promise<IteratorResult<Found>> {
    for (;;) {
      const value = this.#searcher.takeFound(this.#clock.nowUs());
      if (value) return { done: false, value };
      if (this.#isOver) {
        if (this.#error !== undefined) throw this.#error;
        return { done: true, value: undefined };
      }
      await this.#change();
    }
  }

  #handleFound(address: Address, nowUs: number): void {
    this.#noteChange();
    const found = this.#searcher.find(address, nowUs);
    // Last, as it may throw: the endpoint shields itself from its listeners, and tells it as an uncaught error.
    if (found) this.#onFound?.(found);
  }

  async #run(): Promise<void> {
    try {
      const { channelPlan } = this.#plan;
      if (channelPlan) await this.#visitAll(channelPlan);
      else await this.#visit(this.#endUs);
    } catch (error) {
      this.#error = endOf(error);
    }
    this.#timer.clear();
    this.#close();
    this.#isOver = true;
    this.#noteChange();
  }

  async #visitAll({ channels, setChannel, homeChannel }: ChannelPlan): Promise<void> {
    try {
      for (const [at, channel] of channels.entries()) {
        if (this.#isStopped) break;
        this.#channel = undefined;
        await setChannel(channel);
        this.#channel = channel;
        const nowUs = this.#clock.nowUs();
        const share = Math.floor((this.#endUs - nowUs) / (channels.length - at));
        if (share > 0) await this.#visit(nowUs + share);
      }
    } finally {
      this.#channel = undefined;
      await setChannel(homeChannel);
    }
  }

  /** Look on one channel, until there is nothing more to hear or the time is over. */
  async #visit(endUs: number): Promise<void> {
    if (this.#isStopped) return;
    const timeOver = this.#clock.setTimer(endUs, () => this.#leave?.());
    const left = new Promise<void>((resolve) => {
      this.#leave = () => {
        resolve();
        this.#clock.wakeWaiters?.();
      };
    });
    if (this.#plan.mode !== "listen") this.#searcher.ask();
    this.#pump();
    await left;
    this.#leave = undefined;
    this.#clock.clearTimer(timeOver);
    this.#timer.clear();
    this.#searcher.stopAsking();
    if (this.#error !== undefined) throw this.#error;
  }

  #pump(): void {
    if (this.#leave === undefined) return;
    const nowUs = this.#clock.nowUs();
    this.#searcher.handleTimeout(nowUs);
    const query = this.#searcher.pollTransmit(nowUs);
    if (query) void this.#send(query);
    if (this.#searcher.isComplete && this.#plan.mode === "ask") this.#leave();
    else this.#timer.set(this.#searcher.timeoutUs);
  }

  async #send(query: Uint8Array): Promise<void> {
    const { broadcastAddress } = this.#queries;
    if (!broadcastAddress) return;
    try {
      const outcome = await this.#queries.send(broadcastAddress, query);
      const hasLeft = outcome !== "refused" && outcome !== "gone";
      this.#searcher.handleSendOutcome(hasLeft, this.#clock.nowUs());
      this.#pump();
    } catch (error) {
      this.#error = error;
      this.#leave?.();
    }
  }

  #close(): void {
    this.#queries.close();
    this.#announcements.close();
  }

  #change(): Promise<void> {
    return new Promise((resolve) => {
      this.#waiters.push(resolve);
    });
  }

  #noteChange(): void {
    for (const resolve of this.#waiters.splice(0)) resolve();
    this.#clock.wakeWaiters?.();
  }
}

/** An endpoint that was closed meanwhile, in this package's words; all else as it is. */
function endOf(error: unknown): unknown {
  if (!(error instanceof FardelError) || error.code !== "endpoint-closed") return error;
  const sentence = "The endpoint was closed while it looked for boards: open one, and look again.";
  return new PairingError("endpoint-closed", sentence, { cause: error });
}
