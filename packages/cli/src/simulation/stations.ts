import { type Address, Endpoint } from "@fardel/core";
import {
  type Impairments,
  type LossyLink,
  Medium,
  presets,
  Random,
  VirtualClock,
} from "@fardel/lossy-link";
import type { Case, CaseLink } from "../scenario/cases.js";
import { frameUs } from "./channel.js";

/** A gateway and its boards, which have never spoken, on a medium of their own. */
export interface Stations {
  readonly clock: VirtualClock;
  readonly medium: Medium;
  /** 0 is the gateway, boards count from 1. */
  readonly endpoints: readonly Endpoint[];
  readonly links: readonly LossyLink[];
  /** For what the scenario itself leaves to chance. */
  readonly random: Random;
}

/** Everything random in it comes from the seed. */
export async function openStations(each: Case, seed: number): Promise<Stations> {
  const clock = new VirtualClock();
  const { preset, mtuBytes } = each.link;
  const settings = { ...presets[preset](), mtuBytes };
  const medium = new Medium({ ...settings, ...impairmentsOf(each.link), clock, seed });
  const random = new Random(seed);
  const links: LossyLink[] = [];
  const endpoints: Endpoint[] = [];
  for (let station = 0; station <= each.boards; station++) {
    const link = medium.attach({ address: stationAddress(station) });
    const stream = random.stream(`station ${station}`);
    links.push(link);
    endpoints.push(
      await Endpoint.open({ link, clock, random: () => stream.uint32(), window: each.window }),
    );
  }
  return { clock, medium, endpoints, links, random: random.stream("scenario") };
}

/** Locally administered (IEEE 802): the gateway is `02:00:00:00:00:00`. */
export function stationAddress(station: number): Address {
  return Uint8Array.of(2, 0, 0, 0, station >> 8, station & 0xff);
}

export function stationOf(address: Address): number {
  return ((address[4] ?? 0) << 8) | (address[5] ?? 0);
}

export function stationName(station: number): string {
  return station === 0 ? "gateway" : `board ${station}`;
}

/** Held-up datagrams come up to so many full frames late, copies too. */
const LATE_FRAMES = 3;
/** Where a frame takes no time on air, microseconds. */
const LATE_US_MIN = 100;

function impairmentsOf(link: CaseLink): Impairments {
  const { duplicate, reorder, corrupt, delayUs, jitterUs, outagesUs } = link;
  const delayUsMax = lateUsMax(link);
  return {
    ...lossOf(link),
    ...(duplicate > 0 && { duplication: { probability: duplicate, delayUsMax } }),
    ...(reorder > 0 && { reordering: { probability: reorder, delayUsMax } }),
    ...(corrupt > 0 && { corruption: { probability: corrupt, bitsMin: 1, bitsMax: 3 } }),
    delayUs,
    jitterUs,
    outages: outagesUs,
  };
}

/** Gilbert–Elliott with everything lost in the bad state: two means fix its two parameters. */
function lossOf({ loss, burst, burstUs }: CaseLink): Impairments {
  if (loss > 0 && burstUs > 0) {
    const goodUsMean = Math.max(1, Math.round((burstUs * (1 - loss)) / loss));
    return { burst: { goodUsMean, badUsMean: burstUs } };
  }
  if (loss > 0 && burst > 1) {
    return { burst: { goodToBad: loss / (1 - loss) / burst, badToGood: 1 / burst } };
  }
  return { loss };
}

/** By how much a datagram can come after the moment at which it left the air, microseconds. */
export function arrivalUsMax(link: CaseLink): number {
  return link.delayUs + link.jitterUs + 2 * lateUsMax(link);
}

function lateUsMax({ preset, mtuBytes }: CaseLink): number {
  return Math.max(LATE_US_MIN, Math.round(LATE_FRAMES * frameUs(presets[preset](), mtuBytes)));
}
