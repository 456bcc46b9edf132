import type { Address, DatagramInfo } from "@fardel/core";
import type { CapturedDatagram } from "../captured.js";
import { PeerPlan } from "./peer-plan.js";
import { timelineOf } from "./timeline.js";

/** One thing that a replaying endpoint gets. */
export interface ReplayStep {
  /** Since the start of the recording, microseconds. */
  readonly atUs: number;
  readonly from: Address;
  readonly bytes: Uint8Array;
  readonly info: DatagramInfo;
  /** What the endpoint is to draw if it draws now: its token, and of a protected session the salt. */
  readonly draws: readonly number[];
  /** It was never on the air: it stands for something that the recorded side did by itself. */
  readonly isStandIn: boolean;
}

/**
 * - `protected`: without the pair key nobody can read them.
 * - `protected-opened-here`: the recorded side opened a protected session; that cannot be repeated.
 * - `began-before`: they belong to a session whose beginning is not in the recording.
 * - `unknown-sender`: the recording does not say who sent them.
 */
export type ReplayGapReason =
  | "protected"
  | "protected-opened-here"
  | "began-before"
  | "unknown-sender";

/** Received datagrams that a replaying endpoint cannot make anything of. */
export interface ReplayGap {
  readonly why: ReplayGapReason;
  /** Who sent them, if that is known. */
  readonly peer?: Address;
  readonly datagrams: number;
}

export interface ReplayPlan {
  readonly steps: readonly ReplayStep[];
  readonly gaps: readonly ReplayGap[];
}

/**
 * What a fresh endpoint is to get, and to draw, so that it takes what the recorded one took. Pure.
 * @param hasKeys - whether it has the pair keys of the peer at this address
 */
export function planReplay(
  datagrams: readonly CapturedDatagram[],
  hasKeys: (address: Address) => boolean,
): ReplayPlan {
  const peers = new Map<string, PeerPlan>();
  const steps: ReplayStep[] = [];
  const timeline = timelineOf(datagrams);
  const tokens = new Set<number>();
  for (const { head } of timeline) if (head?.form === "long") tokens.add(head.tokenFrom);
  for (const entry of timeline) {
    const { peerKey, peer } = entry;
    let plan = peers.get(peerKey);
    if (!plan) {
      plan = new PeerPlan(peer, hasKeys(peer), tokens, steps);
      peers.set(peerKey, plan);
    }
    if (entry.datagram.direction === "sent") plan.takeSent(entry);
    else plan.takeReceived(entry);
  }
  const unknown = datagrams.filter(({ direction, from }) => direction === "received" && !from);
  const gaps = [...peers.values()].flatMap((plan) => plan.gaps);
  if (unknown.length > 0) gaps.push({ why: "unknown-sender", datagrams: unknown.length });
  return { steps, gaps };
}
