import type { Peer } from "./protocol/peer.js";
import type { PeerStatistics } from "./protocol/statistics.js";

/** A peer and the way to it, as far as this side can tell. */
export interface PeerReport extends Readonly<PeerStatistics> {
  readonly address: Uint8Array;
  readonly phase: "idle" | "opening" | "answering" | "open" | "closed";
  /** Whether the peer has shown that it receives at this address. */
  readonly isVerified: boolean;
  /** Whether datagrams are authenticated and encrypted: there is a key for it. */
  readonly isProtected: boolean;
  /** Smoothed round trip and its variation, microseconds; `undefined` until measured. */
  readonly roundTripUs: number | undefined;
  readonly roundTripVariationUs: number | undefined;
  /** Share of our fragments that were lost, 0 to 1; `undefined` before any was sent. */
  readonly lossRate: number | undefined;
  /** Message bytes delivered to it per second of being busy; `undefined` before any. */
  readonly goodputBytesPerS: number | undefined;
  /** Of the last datagram from it, if the link tells. */
  readonly rssiDbm: number | undefined;
  readonly radioChannel: number | undefined;
  /** Time since anything valid was heard, microseconds; `undefined` if never. */
  readonly silentUs: number | undefined;
  /** Messages and their bytes that wait or are under way to it. */
  readonly queuedMessages: number;
  readonly queuedBytes: number;
  /** Bytes held for it here: parts of messages, and messages not read yet. */
  readonly heldBytes: number;
}

export function reportOn(peer: Peer, nowUs: number): PeerReport {
  const { statistics, session } = peer;
  const sent = statistics.fragmentsSent + statistics.fragmentsRepeated;
  const busyUs = peer.busyUs(nowUs);
  const roundTrip = session?.roundTrip.isMeasured ? session.roundTrip : undefined;
  return {
    address: peer.address.slice(),
    phase: session?.phase ?? "idle",
    isVerified: peer.isVerified,
    isProtected: peer.keys !== "revoked" && peer.keys.length > 0,
    roundTripUs: roundTrip?.smoothedUs,
    roundTripVariationUs: roundTrip?.variationUs,
    lossRate: sent > 0 ? Math.min(1, statistics.fragmentsLost / sent) : undefined,
    goodputBytesPerS: busyUs > 0 ? (statistics.messageBytesSent * 1e6) / busyUs : undefined,
    rssiDbm: peer.rssiDbm,
    radioChannel: peer.radioChannel,
    silentUs: Number.isFinite(peer.heardUs) ? nowUs - peer.heardUs : undefined,
    queuedMessages: peer.queuedMessages,
    queuedBytes: peer.queuedBytes,
    heldBytes: peer.budget.heldBytes,
    // Last: an object that begins with a spread and then grows takes some thirty times as long to make.
    ...statistics,
  };
}
