import { type Clock, SystemClock, type TimerHandle } from "@fardel/core";
import { EventStreamReader } from "./event-stream.js";
import type { LiveFeed } from "./live-feed.js";
import { readSnapshot } from "./read-snapshot.js";
import type { PeerOrder } from "./snapshot.js";

/** What snapshots come from. */
export interface LiveSource {
  /** Peers come in this order from now on. */
  setOrder(order: PeerOrder): void;
  close(): void | Promise<void>;
}

/** Waits before it is tried again, seconds: longer each time, and the last one for ever. */
export const RETRY_S: readonly number[] = [1, 2, 4, 8, 15, 30];
/** A gateway sends something every 15 s at least; after this silence the connection is dead, µs. */
export const SILENCE_US_MAX = 40_000_000;

const ENDED =
  "The gateway's program has ended. Start it again, and open the address that it prints.";
const OTHER_VERSION =
  "The gateway is of another version than this page. Load the page anew, or bring both up to date.";
const UNREADABLE = "The gateway sends what this page cannot read. Load the page anew.";

/** What a source needs of a browser. */
export interface GatewaySourceOptions {
  readonly token: string;
  readonly order: PeerOrder;
  /** Default: the browser's, relative to the page. */
  readonly fetch?: (url: string, init: { readonly signal: AbortSignal }) => Promise<Response>;
  /** Default: real time. */
  readonly clock?: Clock;
}

/** Listens to the gateway that has served this page; goes on trying when the connection is lost. */
export class GatewaySource implements LiveSource {
  readonly #feed: LiveFeed;
  readonly #options: GatewaySourceOptions;
  readonly #clock: Clock;
  #order: PeerOrder;
  #attempt = new AbortController();
  #failures = 0;
  #hasEnded = false;
  #retry: TimerHandle;
  #silence: TimerHandle;

  constructor(feed: LiveFeed, options: GatewaySourceOptions) {
    this.#feed = feed;
    this.#options = options;
    this.#clock = options.clock ?? new SystemClock();
    this.#order = options.order;
    feed.state.value = { is: "connecting" };
    void this.#connect();
  }

  setOrder(order: PeerOrder): void {
    if (order === this.#order) return;
    this.#order = order;
    const { is } = this.#feed.state.peek();
    if (is === "live" || is === "connecting") this.tryNow();
  }

  /** Without waiting any longer. */
  tryNow(): void {
    this.close();
    void this.#connect();
  }

  close(): void {
    this.#attempt.abort();
    this.#clock.clearTimer(this.#retry);
    this.#clock.clearTimer(this.#silence);
  }

  async #connect(): Promise<void> {
    this.#attempt = new AbortController();
    const { signal } = this.#attempt;
    try {
      this.#expectWord();
      const { fetch = (url, init) => window.fetch(url, init) } = this.#options;
      const response = await fetch(this.#url(), { signal });
      if (response.status === 503) throw new Error((await response.text()).trim());
      if (!response.ok || !response.body) this.#refuse((await response.text()).trim());
      else await this.#listen(response.body, signal);
    } catch (error) {
      if (!signal.aborted && !this.#hasEnded)
        this.#lose(error instanceof Error ? error.message : String(error));
    }
  }

  #url(): string {
    const { afterEvent, afterUs } = this.#feed;
    const query = new URLSearchParams({ token: this.#options.token, order: this.#order });
    if (afterEvent > 0) query.set("after", String(afterEvent));
    if (afterUs >= 0) query.set("since", String(Math.floor(afterUs)));
    return `./events?${query}`;
  }

  async #listen(body: ReadableStream<Uint8Array>, signal: AbortSignal): Promise<void> {
    const events = new EventStreamReader();
    const text = new TextDecoder();
    const reader = body.getReader();
    for (;;) {
      const { value, done } = await reader.read();
      if (signal.aborted) return;
      if (done) throw new Error("The gateway has closed the connection.");
      this.#expectWord();
      for (const { name, data } of events.read(text.decode(value, { stream: true }))) {
        if (name === "ended") this.#end();
        else if (name === "snapshot") this.#take(data);
        if (signal.aborted) return;
      }
    }
  }

  #take(data: string): void {
    const snapshot = readSnapshot(data);
    if (snapshot === "other-version") this.#refuse(OTHER_VERSION);
    else if (snapshot === "unreadable") this.#refuse(UNREADABLE);
    else {
      this.#failures = 0;
      this.#feed.accept(snapshot);
    }
  }

  #refuse(sentence: string): void {
    this.close();
    this.#feed.state.value = { is: "refused", sentence };
  }

  /** The gateway has said goodbye, and closes the connection itself. */
  #end(): void {
    this.#hasEnded = true;
    this.#clock.clearTimer(this.#silence);
    this.#feed.state.value = { is: "ended", sentence: ENDED };
  }

  #lose(why: string): void {
    this.close();
    const waitS = RETRY_S[Math.min(this.#failures, RETRY_S.length - 1)] ?? 1;
    this.#failures++;
    const retryUs = this.#clock.nowUs() + waitS * 1e6;
    this.#feed.state.value = { is: "lost", why, retryMs: retryUs / 1000 };
    this.#retry = this.#clock.setTimer(retryUs, () => void this.#connect());
  }

  /** A computer that slept has connections that nobody is at the other end of. */
  #expectWord(): void {
    this.#clock.clearTimer(this.#silence);
    this.#silence = this.#clock.setTimer(this.#clock.nowUs() + SILENCE_US_MAX, () => {
      this.#lose("The gateway has said nothing for a while.");
    });
  }
}

/** The token in this page's own address, if a gateway has served it and says so in its head. */
export function gatewayToken(): string | undefined {
  if (!isServedByGateway()) return undefined;
  return new URL(window.location.href).searchParams.get("token") ?? undefined;
}

/** Whether this page comes from a gateway that can be watched. */
export function isServedByGateway(): boolean {
  return document.querySelector('meta[name="fardel-live"]') !== null;
}
