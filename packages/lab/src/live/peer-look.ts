import type { PeerReport } from "@fardel/core";
import { hex } from "./hex.js";
import type { LivePeer, LivePoint, LiveTotals } from "./snapshot.js";
import type { DoneBytes } from "./transfer-watch.js";

/** A peer that was heard within this time counts as heard, microseconds. */
const HEARD_US = 10_000_000;

/** A report, and what has become more since the look before. */
export interface LookedAt {
  readonly key: string;
  readonly report: PeerReport;
  /** Since the look before; the whole count for a peer that is new. */
  readonly more: Increase;
}

export interface Increase {
  readonly datagramsReceived: number;
  readonly bytesReceived: number;
  readonly messagesReceived: number;
  readonly messageBytesReceived: number;
  readonly messagesSent: number;
  readonly messageBytesSent: number;
  readonly fragments: number;
  readonly fragmentsLost: number;
}

/** Compares the reports of all peers with those of the look before. One look takes one pass. */
export class PeerLook {
  #before = new Map<string, PeerReport>();
  #atUs: number;
  #intervalS = 0;
  #peers: readonly LookedAt[] = [];

  constructor(atUs: number) {
    this.#atUs = atUs;
  }

  /** As they were at the last look. */
  get peers(): readonly LookedAt[] {
    return this.#peers;
  }

  has(key: string): boolean {
    return this.#before.has(key);
  }

  /** @param atUs - now; later than at the last look */
  look(reports: readonly PeerReport[], atUs: number): void {
    const now = new Map<string, PeerReport>();
    this.#peers = reports.map((report) => {
      const key = hex(report.address);
      now.set(key, report);
      return { key, report, more: increase(report, this.#before.get(key)) };
    });
    this.#before = now;
    this.#intervalS = (atUs - this.#atUs) / 1e6;
    this.#atUs = atUs;
  }

  totals(): Omit<LiveTotals, "heldBytes" | CountOfEndpoint> {
    const totals = { ...NO_TOTALS, peers: this.#peers.length };
    for (const { report } of this.#peers) {
      if (report.phase === "open") totals.open++;
      if (report.silentUs !== undefined && report.silentUs <= HEARD_US) totals.heard++;
      totals.queuedMessages += report.queuedMessages;
      totals.queuedBytes += report.queuedBytes;
      totals.datagramsSent += report.datagramsSent;
      totals.datagramsReceived += report.datagramsReceived;
      totals.messagesSent += report.messagesSent;
      totals.messagesReceived += report.messagesReceived;
    }
    return totals;
  }

  /** @param progress - of messages that are not whole yet: bytes done more than at the look before */
  point(progress: DoneBytes): LivePoint {
    let { sent, received } = progress;
    let fragments = 0;
    let lost = 0;
    let heard = 0;
    let rssiSum = 0;
    for (const { report, more } of this.#peers) {
      sent += more.messageBytesSent;
      received += more.messageBytesReceived;
      fragments += more.fragments;
      lost += more.fragmentsLost;
      if (report.rssiDbm === undefined || more.datagramsReceived === 0) continue;
      heard++;
      rssiSum += report.rssiDbm;
    }
    return {
      atUs: this.#atUs,
      // What was done of a message that was given up is gone again.
      sentBytesPerS: this.#perS(Math.max(0, sent)),
      receivedBytesPerS: this.#perS(Math.max(0, received)),
      ...(fragments > 0 && { lossRate: Math.min(1, lost / fragments) }),
      ...(heard > 0 && { rssiDbm: rssiSum / heard }),
    };
  }

  /** @param words - how the link writes its address, and its name if it has one */
  peerOf(
    { report, more }: LookedAt,
    words: { readonly address: string; readonly name?: string },
  ): LivePeer {
    const { rssiDbm, radioChannel, lossRate, roundTripUs, goodputBytesPerS, silentUs } = report;
    return {
      ...words,
      phase: report.phase,
      isProtected: report.isProtected,
      ...(rssiDbm !== undefined && { rssiDbm }),
      ...(radioChannel !== undefined && { radioChannel }),
      ...(lossRate !== undefined && { lossRate }),
      ...(more.fragments > 0 && {
        recentLossRate: Math.min(1, more.fragmentsLost / more.fragments),
      }),
      ...(roundTripUs !== undefined && { roundTripUs }),
      ...(goodputBytesPerS !== undefined && { goodputBytesPerS }),
      ...(silentUs !== undefined && { silentUs }),
      queuedMessages: report.queuedMessages,
      queuedBytes: report.queuedBytes,
      heldBytes: report.heldBytes,
      datagramsSent: report.datagramsSent,
      datagramsReceived: report.datagramsReceived,
      messagesSent: report.messagesSent,
      messagesReceived: report.messagesReceived,
      fragmentsSent: report.fragmentsSent,
      fragmentsRepeated: report.fragmentsRepeated,
      sessions: report.sessions,
      receivedDatagramsPerS: this.#perS(more.datagramsReceived),
      receivedBytesPerS: this.#perS(more.bytesReceived),
    };
  }

  #perS(amount: number): number {
    return this.#intervalS > 0 ? Math.round((1000 * amount) / this.#intervalS) / 1000 : 0;
  }
}

/** Of those, the endpoint itself keeps count. */
type CountOfEndpoint =
  | "unreadableDatagrams"
  | "ignoredDatagrams"
  | "unexplainedDatagrams"
  | "sessionlessDatagrams"
  | "refusedDatagrams";

const NO_TOTALS = {
  peers: 0,
  open: 0,
  heard: 0,
  queuedMessages: 0,
  queuedBytes: 0,
  datagramsSent: 0,
  datagramsReceived: 0,
  messagesSent: 0,
  messagesReceived: 0,
};

function increase(now: PeerReport, before: PeerReport | undefined): Increase {
  // Less than before: it was forgotten meanwhile, and counts from 0 again.
  const more = (after: number, then = 0) => (after >= then ? after - then : after);
  return {
    datagramsReceived: more(now.datagramsReceived, before?.datagramsReceived),
    bytesReceived: more(now.bytesReceived, before?.bytesReceived),
    messagesReceived: more(now.messagesReceived, before?.messagesReceived),
    messageBytesReceived: more(now.messageBytesReceived, before?.messageBytesReceived),
    messagesSent: more(now.messagesSent, before?.messagesSent),
    messageBytesSent: more(now.messageBytesSent, before?.messageBytesSent),
    fragments: more(
      now.fragmentsSent + now.fragmentsRepeated,
      before && before.fragmentsSent + before.fragmentsRepeated,
    ),
    fragmentsLost: more(now.fragmentsLost, before?.fragmentsLost),
  };
}
