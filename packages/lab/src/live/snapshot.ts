import type { PeerReport, ProtocolCounts, SessionEnd, Way } from "@fardel/core";

/**
 * What a page that looks at a running gateway is shown: plain data, as JSON on its way from the
 * gateway's program to the page. Times in microseconds since the watch began, unless a name says
 * otherwise. A figure that is not known is left out.
 */
export interface LiveSnapshot {
  readonly version: typeof SNAPSHOT_VERSION;
  /** What the gateway or its link is called. */
  readonly name: string;
  /** Address of the gateway itself, if its link knows it. */
  readonly address?: string;
  /** Date and time at which the watch began, milliseconds since 1970. */
  readonly startedMs: number;
  readonly atUs: number;
  readonly link: LiveLink;
  /** The first {@link PEERS_SHOWN_MAX} in this order. */
  readonly peers: readonly LivePeer[];
  readonly order: PeerOrder;
  readonly totals: LiveTotals;
  /** The first {@link TRANSFERS_SHOWN_MAX}. */
  readonly transfers: readonly LiveTransfer[];
  readonly transfersTotal: number;
  /** Oldest first; only what the reader does not have yet. */
  readonly events: readonly LiveEvent[];
  /** The same. */
  readonly curve: readonly LivePoint[];
}

/** Another version is refused: a page and a gateway of different releases. */
export const SNAPSHOT_VERSION = 1;
export const PEERS_SHOWN_MAX = 200;
export const TRANSFERS_SHOWN_MAX = 100;
/** Events that are remembered; of more, the oldest give way. */
export const EVENTS_MAX = 200;
/** Points of the curves that are remembered: five minutes, one a second. */
export const CURVE_POINTS_MAX = 300;

export interface LiveLink {
  /** Left out: nobody tells. */
  readonly status?: "up" | "down";
  /** When it became so. */
  readonly sinceUs: number;
  /** Why, in a sentence, if the link says. */
  readonly why?: string;
}

/** A peer at the last look; the figures are those of `PeerReport` of core. */
export interface LivePeer
  extends Pick<
    PeerReport,
    | "phase"
    | "isProtected"
    | "queuedMessages"
    | "queuedBytes"
    | "heldBytes"
    | "datagramsSent"
    | "datagramsReceived"
    | "messagesSent"
    | "messagesReceived"
    | "fragmentsSent"
    | "fragmentsRepeated"
    | "sessions"
  > {
  /** As the link writes addresses. */
  readonly address: string;
  /** If it has one. */
  readonly name?: string;
  readonly rssiDbm?: number;
  readonly radioChannel?: number;
  /** Share of the fragments to it that were lost, since the start and in the last interval. */
  readonly lossRate?: number;
  readonly recentLossRate?: number;
  readonly roundTripUs?: number;
  readonly goodputBytesPerS?: number;
  /** Time since anything was heard; left out: never. */
  readonly silentUs?: number;
  /** Of the last interval. */
  readonly receivedDatagramsPerS: number;
  readonly receivedBytesPerS: number;
}

/** All peers together, those that are not shown too. */
export interface LiveTotals extends Readonly<ProtocolCounts> {
  readonly peers: number;
  /** With an open session. */
  readonly open: number;
  /** Heard in the last 10 seconds. */
  readonly heard: number;
  readonly queuedMessages: number;
  readonly queuedBytes: number;
  /** Parts of messages, and messages that were not read yet, bytes. */
  readonly heldBytes: number;
  readonly datagramsSent: number;
  readonly datagramsReceived: number;
  readonly messagesSent: number;
  readonly messagesReceived: number;
}

/** A message on its way, too large to be over before anybody can look. */
export interface LiveTransfer {
  /** The same from one snapshot to the next, and no other's. */
  readonly id: number;
  /** Of the peer, as the next. */
  readonly address: string;
  readonly name?: string;
  readonly direction: "sending" | "receiving";
  readonly way: Way;
  /** Left out: its sender has not said. */
  readonly totalBytes?: number;
  readonly doneBytes: number;
  /** In the last interval; left out at the first look. */
  readonly bytesPerS?: number;
  /** When it was first seen. */
  readonly sinceUs: number;
}

export type LiveEventKind =
  | "session-opened"
  | "session-ended"
  | "message"
  | "request"
  | "link"
  | "transfer-begun"
  | "transfer-ended"
  | "losses"
  | "note";

/** Something that happened. */
export interface LiveEvent {
  /** From 1, without holes: a hole means that events were forgotten before they were read. */
  readonly number: number;
  readonly atUs: number;
  readonly kind: LiveEventKind;
  /** A plain sentence. */
  readonly text: string;
  /** The peer it is about, as the link writes addresses. */
  readonly peer?: string;
  /** It wants attention. */
  readonly isTrouble: boolean;
}

/** One point of the curves: all peers, between two looks. */
export interface LivePoint {
  readonly atUs: number;
  /** Message bytes that peers have acknowledged, and that came from them, per second. */
  readonly sentBytesPerS: number;
  readonly receivedBytesPerS: number;
  /** Share of the fragments sent that were lost; left out while none were. */
  readonly lossRate?: number;
  /** Mean of the peers that were heard meanwhile, if the link tells. */
  readonly rssiDbm?: number;
}

/** Why a session ended, for an event. */
export const SESSION_END_WORDS: Readonly<Record<SessionEnd, string>> = {
  "peer-restarted": "it has restarted",
  "peer-closed": "it has closed",
  "peer-unreachable": "it does not answer any more",
  "peer-revoked": "its pairing was revoked",
  "closed-here": "it was closed here",
};

/** What can stand first in the list of peers. */
export const PEER_ORDERS = [
  "signal",
  "heard",
  "address",
  "loss",
  "round-trip",
  "queue",
  "goodput",
  "messages",
] as const;
export type PeerOrder = (typeof PEER_ORDERS)[number];

export function isPeerOrder(text: string): text is PeerOrder {
  return PEER_ORDERS.some((order) => order === text);
}
