import type { PeerReport } from "@fardel/core";
import type { PeerOrder } from "./snapshot.js";

/** A peer that can be put in order. */
export interface Orderable {
  /** Different for each peer; sorts as its address does. */
  readonly key: string;
  readonly report: PeerReport;
}

/** Less stands first: the strongest, what wants attention, the busiest. */
const RANKS: Readonly<
  Record<Exclude<PeerOrder, "address">, (report: PeerReport) => number | undefined>
> = {
  signal: ({ rssiDbm }) => negative(rssiDbm),
  heard: ({ silentUs }) => silentUs,
  loss: ({ lossRate }) => negative(lossRate),
  "round-trip": ({ roundTripUs }) => negative(roundTripUs),
  queue: ({ queuedMessages }) => negative(queuedMessages),
  goodput: ({ goodputBytesPerS }) => negative(goodputBytesPerS),
  messages: ({ messagesReceived }) => negative(messagesReceived),
};

function negative(value: number | undefined): number | undefined {
  return value === undefined ? undefined : -value;
}

/** Peers in an order; those without that figure come last, equal ones by their keys. Pure. */
export function inOrder<T extends Orderable>(peers: readonly T[], order: PeerOrder): T[] {
  const rank = order === "address" ? () => 0 : RANKS[order];
  const ranked = peers.map((peer) => ({
    peer,
    value: rank(peer.report) ?? Number.POSITIVE_INFINITY,
  }));
  ranked.sort((one, other) => {
    if (one.value !== other.value) return one.value < other.value ? -1 : 1;
    return one.peer.key < other.peer.key ? -1 : 1;
  });
  return ranked.map(({ peer }) => peer);
}
