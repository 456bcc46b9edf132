import {
  type Address,
  type Clock,
  type Endpoint,
  type Link,
  SystemClock,
  type TimerHandle,
  type TraceFact,
} from "@fardel/core";
import { EventLog } from "./event-log.js";
import { colonHex, hex } from "./hex.js";
import { LossRuns } from "./loss-runs.js";
import { MessageNotes } from "./message-notes.js";
import { PeerLook } from "./peer-look.js";
import { inOrder } from "./peer-order.js";
import {
  CURVE_POINTS_MAX,
  type LiveEventKind,
  type LiveLink,
  type LivePeer,
  type LivePoint,
  type LiveSnapshot,
  PEERS_SHOWN_MAX,
  type PeerOrder,
  SESSION_END_WORDS,
  SNAPSHOT_VERSION,
  TRANSFERS_SHOWN_MAX,
} from "./snapshot.js";
import { TransferWatch } from "./transfer-watch.js";
import { watchedLink } from "./watched-link.js";

/** What is looked at of an endpoint. */
export type WatchedEndpoint = Pick<
  Endpoint,
  "address" | "counts" | "heldBytes" | "reports" | "transfers" | "on"
>;

/** How a {@link LiveWatch} is made. */
export interface LiveWatchOptions {
  /** What the gateway is called on the page. */
  readonly name: string;
  /** Between two looks at the endpoint, microseconds, at least 100,000. Default 1,000,000. */
  readonly intervalUs?: number;
  /** Default: real time. */
  readonly clock?: Clock;
  /** Date and time, milliseconds since 1970. Default `Date.now`. */
  readonly nowMs?: () => number;
  /** Default: hexadecimal with colons. */
  readonly formatAddress?: (address: Address) => string;
  /** The name of a peer; `undefined` if it has none. */
  readonly nameOf?: (address: Address) => string | undefined;
  /**
   * `counted` (default): events of messages are made of what the endpoint has counted. `noted`: of
   * what the program tells by {@link LiveWatch.noteMessage}, which knows each one.
   */
  readonly messages?: "counted" | "noted";
}

/** What a reader wants, and what it has already. */
export interface SnapshotRequest {
  readonly order: PeerOrder;
  /** Number of the last event that it has; 0: none. */
  readonly afterEvent: number;
  /** Time of the last point of the curves that it has; below 0: none. */
  readonly afterUs: number;
}

const INTERVAL_US = 1_000_000;
const INTERVAL_US_MIN = 100_000;
/** Two points of the curves are at least so far apart. */
const POINT_US = 1_000_000;
const NO_PROGRESS = { messageBytesSent: 0, messageBytesReceived: 0 };

/**
 * Watches an endpoint for a page: looks at it at intervals, remembers the last events and five
 * minutes of curves, and makes snapshots. Memory is bounded, however many peers and events there
 * are.
 *
 * ```ts
 * const watch = new LiveWatch({ name: "north orchard" });
 * const gateway = await Endpoint.open({ link: watch.link(radio), trace: watch.trace });
 * watch.attach(gateway);
 * ```
 */
export class LiveWatch {
  readonly #options: LiveWatchOptions;
  readonly #clock: Clock;
  readonly #intervalUs: number;
  readonly #startUs: number;
  readonly #startedMs: number;
  readonly #log = new EventLog();
  readonly #notes = new MessageNotes(this.#log);
  readonly #lossRuns = new LossRuns();
  readonly #look = new PeerLook(0);
  readonly #transfers: TransferWatch;
  readonly #curve: LivePoint[] = [];
  readonly #listeners = new Set<() => void>();
  /** Peers in each order that was asked for since the last look. */
  readonly #orders = new Map<PeerOrder, readonly LivePeer[]>();
  #link: LiveLink = { sinceUs: 0 };
  #endpoint: WatchedEndpoint | undefined;
  #detach = () => {};
  #timer: TimerHandle;
  #atUs = 0;

  constructor(options: LiveWatchOptions) {
    const { clock = new SystemClock(), nowMs = Date.now, intervalUs = INTERVAL_US } = options;
    if (!(intervalUs >= INTERVAL_US_MIN)) {
      throw new RangeError(
        `intervalUs is ${intervalUs}. Give ${INTERVAL_US_MIN} or more: faster nobody can read.`,
      );
    }
    this.#options = options;
    this.#clock = clock;
    this.#intervalUs = intervalUs;
    this.#startUs = clock.nowUs();
    this.#startedMs = nowMs();
    this.#transfers = new TransferWatch(this.#log, ({ peer }) => this.#called(peer));
  }

  /** The same link, and the watch knows whether it is up. */
  link(link: Link): Link {
    this.#link = { status: "up", sinceUs: this.#nowUs() };
    return watchedLink(link, (status) => this.noteLink(status));
  }

  /** For the option `trace` of the endpoint: losses in a row become events. */
  readonly trace = (fact: TraceFact): void => {
    if (fact.type !== "fragment-lost") return;
    const run = this.#lossRuns.noteLost(hex(fact.peer), fact.number);
    if (run === undefined) return;
    const text = `${run} datagrams in a row to ${this.#called(fact.peer)} were lost.`;
    this.#add("losses", text, true, fact.peer);
  };

  /** Look at this endpoint from now on, until {@link close}. */
  attach(endpoint: WatchedEndpoint): void {
    this.close();
    this.#endpoint = endpoint;
    const stops = [
      endpoint.on("session-opened", ({ peer }) => {
        this.#add(
          "session-opened",
          `Session with ${this.#called(peer.address)} is open.`,
          false,
          peer.address,
        );
      }),
      endpoint.on("session-ended", ({ peer, why }) => {
        this.#lossRuns.forget(hex(peer.address));
        const isTrouble = why === "peer-restarted" || why === "peer-unreachable";
        const text = `Session with ${this.#called(peer.address)} has ended: ${SESSION_END_WORDS[why]}.`;
        this.#add("session-ended", text, isTrouble, peer.address);
      }),
    ];
    this.#detach = () => {
      for (const stop of stops) stop();
    };
    this.lookNow();
    this.#wait();
  }

  /** Stop looking. What was seen stays. May be called twice. */
  close(): void {
    this.#clock.clearTimer(this.#timer);
    this.#timer = undefined;
    this.#detach();
    this.#detach = () => {};
    this.#endpoint = undefined;
  }

  /** The link went down or came back, as a link's own events tell it. */
  noteLink(status: "up" | "down", why?: string): void {
    if (status === this.#link.status && why === this.#link.why) return;
    this.#link = { status, sinceUs: this.#nowUs(), ...(why !== undefined && { why }) };
    const sentence = status === "up" ? "The link is up." : "The link is down.";
    const text = why === undefined ? sentence : `${sentence} ${why}`;
    this.#add("link", text, status === "down");
  }

  /** A message arrived; only with the option `messages: "noted"`. */
  noteMessage(from: Address, messageBytes: number, isRequest = false): void {
    if (this.#options.messages !== "noted") return;
    this.#notes.add({
      atUs: this.#nowUs(),
      peer: this.#format(from),
      called: this.#called(from),
      messages: 1,
      bytes: messageBytes,
      isRequest,
    });
  }

  /** Anything else that belongs into the list of events: a plain sentence. */
  note(text: string, { isTrouble = false }: { readonly isTrouble?: boolean } = {}): void {
    this.#add("note", text, isTrouble);
  }

  /** Be told after each look. @returns a function that ends it */
  onLook(listener: () => void): () => void {
    this.#listeners.add(listener);
    return () => void this.#listeners.delete(listener);
  }

  snapshot({ order, afterEvent, afterUs }: SnapshotRequest): LiveSnapshot {
    const endpoint = this.#endpoint;
    const { transfers } = this.#transfers;
    const { address } = endpoint ?? {};
    return {
      version: SNAPSHOT_VERSION,
      name: this.#options.name,
      ...(address && { address: this.#format(address) }),
      startedMs: this.#startedMs,
      atUs: this.#atUs,
      link: this.#link,
      peers: this.#inOrder(order),
      order,
      totals: {
        ...this.#look.totals(),
        heldBytes: endpoint?.heldBytes ?? 0,
        ...(endpoint?.counts ?? NO_COUNTS),
      },
      transfers: transfers
        .slice(0, TRANSFERS_SHOWN_MAX)
        .map(({ id, report, bytesPerS, sinceUs }) => ({
          id,
          ...this.#words(report.peer),
          direction: report.direction,
          way: report.way,
          ...(report.totalBytes !== undefined && { totalBytes: report.totalBytes }),
          doneBytes: report.doneBytes,
          ...(bytesPerS !== undefined && { bytesPerS }),
          sinceUs,
        })),
      transfersTotal: transfers.length,
      events: this.#log.after(afterEvent),
      curve: this.#curve.filter(({ atUs }) => atUs > afterUs),
    };
  }

  /** Look at once, not only when the interval is over. */
  lookNow(): void {
    const endpoint = this.#endpoint;
    const atUs = this.#nowUs();
    if (!endpoint || (atUs <= this.#atUs && atUs > 0)) return;
    this.#atUs = atUs;
    this.#orders.clear();
    this.#look.look(endpoint.reports(), atUs);
    this.#noteCounted(atUs);
    const byKey = new Map(this.#look.peers.map(({ key, more }) => [key, more]));
    this.#transfers.look(endpoint.transfers(), atUs, (key) => byKey.get(key) ?? NO_PROGRESS);
    this.#notes.finish(atUs);
    this.#addPoint(atUs);
    for (const listener of this.#listeners) listener();
  }

  #wait(): void {
    this.#timer = this.#clock.setTimer(this.#clock.nowUs() + this.#intervalUs, () => {
      this.#wait();
      this.lookNow();
    });
  }

  #noteCounted(atUs: number): void {
    if (this.#options.messages === "noted") return;
    for (const { report, more } of this.#look.peers) {
      if (more.messagesReceived === 0) continue;
      this.#notes.add({
        atUs,
        peer: this.#format(report.address),
        called: this.#called(report.address),
        messages: more.messagesReceived,
        bytes: more.messageBytesReceived,
        isRequest: false,
      });
    }
  }

  #addPoint(atUs: number): void {
    const last = this.#curve.at(-1);
    // Of looks that are close together, the one that is nearest to the time of the next point.
    if (last && atUs - last.atUs < POINT_US - this.#intervalUs / 2) return;
    this.#curve.push(this.#look.point(this.#transfers.progress));
    if (this.#curve.length > CURVE_POINTS_MAX) this.#curve.shift();
  }

  /** Worked out once for each look and order, however many readers there are. */
  #inOrder(order: PeerOrder): readonly LivePeer[] {
    const known = this.#orders.get(order);
    if (known) return known;
    const first = inOrder(this.#look.peers, order).slice(0, PEERS_SHOWN_MAX);
    const peers = first.map((peer) => this.#look.peerOf(peer, this.#words(peer.report.address)));
    this.#orders.set(order, peers);
    return peers;
  }

  #add(kind: LiveEventKind, text: string, isTrouble: boolean, peer?: Address): void {
    const atUs = this.#nowUs();
    this.#log.add({ atUs, kind, text, isTrouble, ...(peer && { peer: this.#format(peer) }) });
  }

  #words(address: Address): { readonly address: string; readonly name?: string } {
    const name = this.#options.nameOf?.(address);
    return { address: this.#format(address), ...(name !== undefined && { name }) };
  }

  /** How a sentence calls a peer. */
  #called(address: Address): string {
    return this.#options.nameOf?.(address) ?? this.#format(address);
  }

  #format(address: Address): string {
    return (this.#options.formatAddress ?? colonHex)(address);
  }

  #nowUs(): number {
    return this.#clock.nowUs() - this.#startUs;
  }
}

const NO_COUNTS = {
  unreadableDatagrams: 0,
  ignoredDatagrams: 0,
  unexplainedDatagrams: 0,
  sessionlessDatagrams: 0,
  refusedDatagrams: 0,
};
