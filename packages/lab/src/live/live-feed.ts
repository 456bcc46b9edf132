import { batch, signal } from "@preact/signals";
import {
  CURVE_POINTS_MAX,
  EVENTS_MAX,
  type LiveEvent,
  type LivePeer,
  type LivePoint,
  type LiveSnapshot,
} from "./snapshot.js";

/** How the page stands to what it looks at. */
export type FeedState =
  | { readonly is: "none" }
  | { readonly is: "connecting" | "live" }
  /** Tried again at that instant, `performance.now()`. */
  | { readonly is: "lost"; readonly why: string; readonly retryMs: number }
  /** It is over, or was not possible; a sentence says what to do. */
  | { readonly is: "ended" | "refused"; readonly sentence: string };

/** One point of the curves of a single peer. */
export type PeerPoint = Pick<LivePoint, "atUs" | "lossRate" | "rssiDbm"> & {
  readonly receivedBytesPerS: number;
};

/** What is shown at one instant. */
export interface LivePicture {
  readonly snapshot: LiveSnapshot;
  /** Oldest first, as the next. */
  readonly events: readonly LiveEvent[];
  /** How many were forgotten before they reached this page. */
  readonly eventsMissed: number;
  readonly curve: readonly LivePoint[];
}

/**
 * Puts together what the view shows of the snapshots that come in: each of them has only the events
 * and points that are new.
 */
export class LiveFeed {
  readonly state = signal<FeedState>({ is: "none" });
  readonly picture = signal<LivePicture | undefined>(undefined);
  readonly isPaused = signal(false);
  readonly #peerCurves = new Map<string, PeerPoint[]>();
  #latest: LivePicture | undefined;

  /** Number of the last event that is here, and time of the last point. */
  get afterEvent(): number {
    return this.#latest?.events.at(-1)?.number ?? 0;
  }

  get afterUs(): number {
    return this.#latest?.curve.at(-1)?.atUs ?? -1;
  }

  accept(snapshot: LiveSnapshot): void {
    const { events = [], eventsMissed = 0, curve = [] } = this.#latest ?? {};
    const newEvents = snapshot.events.filter(({ number }) => number > this.afterEvent);
    const newPoints = snapshot.curve.filter(({ atUs }) => atUs > this.afterUs);
    const firstNew = newEvents[0]?.number ?? 0;
    // What was before this page looked is not missed.
    const hole = firstNew > 0 && this.afterEvent > 0 ? firstNew - this.afterEvent - 1 : 0;
    this.#latest = {
      snapshot,
      events: [...events, ...newEvents].slice(-EVENTS_MAX),
      eventsMissed: eventsMissed + hole,
      curve: [...curve, ...newPoints].slice(-CURVE_POINTS_MAX),
    };
    this.#addPeerPoints(snapshot);
    batch(() => {
      this.state.value = { is: "live" };
      if (!this.isPaused.peek()) this.picture.value = this.#latest;
    });
  }

  /** Of a peer that is shown, since this page looks at it: at most five minutes. */
  peerCurve(address: string): readonly PeerPoint[] {
    return this.#peerCurves.get(address) ?? [];
  }

  /** Stop drawing anew; what comes meanwhile is shown afterwards. */
  setPaused(isPaused: boolean): void {
    batch(() => {
      this.isPaused.value = isPaused;
      if (!isPaused) this.picture.value = this.#latest;
    });
  }

  /** Something else is looked at from now on. */
  clear(): void {
    this.#latest = undefined;
    this.#peerCurves.clear();
    batch(() => {
      this.isPaused.value = false;
      this.picture.value = undefined;
    });
  }

  #addPeerPoints({ peers, atUs }: LiveSnapshot): void {
    const shown = new Set(peers.map(({ address }) => address));
    for (const address of this.#peerCurves.keys()) {
      if (!shown.has(address)) this.#peerCurves.delete(address);
    }
    for (const peer of peers) {
      const curve = this.#peerCurves.get(peer.address) ?? [];
      if (atUs > (curve.at(-1)?.atUs ?? -1)) curve.push(peerPoint(peer, atUs));
      if (curve.length > CURVE_POINTS_MAX) curve.shift();
      this.#peerCurves.set(peer.address, curve);
    }
  }
}

function peerPoint(peer: LivePeer, atUs: number): PeerPoint {
  const { recentLossRate, rssiDbm, receivedBytesPerS, receivedDatagramsPerS } = peer;
  return {
    atUs,
    receivedBytesPerS,
    ...(recentLossRate !== undefined && { lossRate: recentLossRate }),
    // An old strength is no news.
    ...(rssiDbm !== undefined && receivedDatagramsPerS > 0 && { rssiDbm }),
  };
}
