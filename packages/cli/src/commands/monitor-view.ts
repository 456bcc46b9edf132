import type { Address, PeerReport } from "@fardel/core";
import { hex } from "../output.js";

/** What a monitor shows of one peer. */
export interface PeerView {
  /** As this link writes addresses. */
  readonly peer: string;
  /** `undefined`: it is watched, and nothing was sent to it or heard from it. */
  readonly report: PeerReport | undefined;
  /** Of the last interval. */
  readonly receivedDatagramsPerS: number;
  readonly receivedMessagesPerS: number;
  /** Size of the last message from it, bytes. */
  readonly lastMessageBytes: number | undefined;
}

/** What a monitor shows at one instant. */
export interface MonitorView {
  /** Time since the start, microseconds. */
  readonly atUs: number;
  readonly link: "up" | "down";
  readonly peers: readonly PeerView[];
}

export const SORT_KEYS = [
  "heard",
  "peer",
  "rssi",
  "loss",
  "round-trip",
  "queue",
  "goodput",
  "messages",
] as const;

export type SortKey = (typeof SORT_KEYS)[number];

/** Messages of so many peers are remembered between two looks; as many as an endpoint remembers. */
const PEERS_MAX = 16_384;

/** Makes views of reports: knows what was there at the last look. */
export class Watch {
  readonly #formatAddress: (address: Address) => string;
  readonly #watched: readonly Address[];
  readonly #lastMessageBytes = new Map<string, number>();
  #before = new Map<string, PeerReport>();
  #beforeUs = 0;
  #messages = 0;
  #messageBytes = 0;

  /** @param watched - peers that are shown also when nothing is known of them */
  constructor(formatAddress: (address: Address) => string, watched: readonly Address[] = []) {
    this.#formatAddress = formatAddress;
    this.#watched = watched;
  }

  /** Messages, and their bytes, of all peers. */
  get messages(): number {
    return this.#messages;
  }

  get messageBytes(): number {
    return this.#messageBytes;
  }

  noteMessage(from: Address, messageBytes: number): void {
    this.#messages++;
    this.#messageBytes += messageBytes;
    const key = hex(from);
    if (this.#lastMessageBytes.size < PEERS_MAX || this.#lastMessageBytes.has(key)) {
      this.#lastMessageBytes.set(key, messageBytes);
    }
  }

  /** @param atUs - time since the start; later than at the last look */
  look(reports: readonly PeerReport[], link: "up" | "down", atUs: number): MonitorView {
    const intervalS = (atUs - this.#beforeUs) / 1e6;
    const now = new Map(reports.map((report) => [hex(report.address), report]));
    const peers = Array.from(now, ([key, report]) => this.#viewOf(key, report, intervalS));
    for (const address of this.#watched) {
      if (!now.has(hex(address))) peers.push(this.#viewOfUnknown(address));
    }
    // An endpoint forgets peers when it is full, and so does this.
    for (const key of this.#lastMessageBytes.keys()) {
      if (!now.has(key)) this.#lastMessageBytes.delete(key);
    }
    this.#before = now;
    this.#beforeUs = atUs;
    return { atUs, link, peers };
  }

  #viewOf(key: string, report: PeerReport, intervalS: number): PeerView {
    const before = this.#before.get(key);
    const perS = (now: number, then = 0) => {
      // Less than before: it was forgotten meanwhile, and counts from 0 again.
      const more = now >= then ? now - then : now;
      return intervalS > 0 ? more / intervalS : 0;
    };
    return {
      peer: this.#formatAddress(report.address),
      report,
      receivedDatagramsPerS: perS(report.datagramsReceived, before?.datagramsReceived),
      receivedMessagesPerS: perS(report.messagesReceived, before?.messagesReceived),
      lastMessageBytes: this.#lastMessageBytes.get(key),
    };
  }

  #viewOfUnknown(address: Address): PeerView {
    return {
      peer: this.#formatAddress(address),
      report: undefined,
      receivedDatagramsPerS: 0,
      receivedMessagesPerS: 0,
      lastMessageBytes: undefined,
    };
  }
}

type Rank = (report: PeerReport) => number | undefined;

/** Less stands first. What wants attention is at the top. */
const RANKS: Readonly<Record<Exclude<SortKey, "peer">, Rank>> = {
  heard: ({ silentUs }) => silentUs,
  rssi: ({ rssiDbm }) => rssiDbm,
  loss: ({ lossRate }) => negative(lossRate),
  "round-trip": ({ roundTripUs }) => negative(roundTripUs),
  queue: ({ queuedMessages }) => negative(queuedMessages),
  goodput: ({ goodputBytesPerS }) => goodputBytesPerS,
  messages: ({ messagesReceived }) => negative(messagesReceived),
};

function negative(value: number | undefined): number | undefined {
  return value === undefined ? undefined : -value;
}

/**
 * Heard last, weakest, most lossy, slowest, longest queue, lowest goodput or most messages first.
 * Peers without that figure come last, in the order of their addresses. Pure.
 */
export function sortPeers(peers: readonly PeerView[], key: SortKey): PeerView[] {
  const rank = key === "peer" ? () => 0 : RANKS[key];
  const ranked = peers.map((view) => {
    const value = view.report && rank(view.report);
    return { view, value: value ?? Number.POSITIVE_INFINITY };
  });
  ranked.sort((one, other) => {
    if (one.value !== other.value) return one.value < other.value ? -1 : 1;
    return one.view.peer < other.view.peer ? -1 : 1;
  });
  return ranked.map(({ view }) => view);
}
