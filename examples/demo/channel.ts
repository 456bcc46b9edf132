import { type Clock, SystemClock } from "@fardel/core";
import { type BurstLoss, lossyPair, presets, VirtualClock } from "@fardel/lossy-link";
import type { DemoOptions } from "./options.js";

/** How often a datagram arrives twice, and how often later ones overtake it. Invented. */
export const DUPLICATION_RATE = 0.02;
export const REORDERING_RATE = 0.02;

export type Channel = ReturnType<typeof openChannel>;

/** A gateway's and a board's link over one half-duplex channel, and the clock they run on. */
export function openChannel(options: DemoOptions) {
  const clock: Clock = options.speed === "real" ? new SystemClock() : new VirtualClock();
  const { a, b, medium } = lossyPair({
    ...presets.reference(),
    mtuBytes: options.datagramBytes,
    clock,
    seed: options.seed,
    ...lossModel(options.lossRate, options.burstDatagrams),
    duplication: { probability: DUPLICATION_RATE, delayUsMin: 0, delayUsMax: 5_000 },
    reordering: { probability: REORDERING_RATE, delayUsMin: 3_000, delayUsMax: 10_000 },
  });
  return { gatewayLink: a, boardLink: b, medium, clock };
}

/**
 * Losses of this rate in runs of this mean length. Two states: in the bad one all is lost, in the
 * good one nothing (Gilbert 1960; see `BurstLoss`). With g and b for the chance to turn bad and good
 * again, the mean run is 1/b and the rate g/(g + b). Losses that fall independently come in runs of
 * 1/(1 - rate) on the average: a shorter run than that is taken as "independent".
 */
export function lossModel(
  lossRate: number,
  burstDatagrams: number,
): { readonly loss: number } | { readonly burst: BurstLoss } {
  if (lossRate === 0 || burstDatagrams * (1 - lossRate) <= 1) return { loss: lossRate };
  const badToGood = 1 / burstDatagrams;
  return { burst: { badToGood, goodToBad: (badToGood * lossRate) / (1 - lossRate) } };
}

/**
 * Shortest time in which this many bytes can get across, on the average, microseconds. An erasure
 * channel that loses the share p delivers at most 1 - p of what is put on it (P. Elias, 1955): here
 * full datagrams, end to end, whose every byte is the caller's.
 */
export function shortestUs(
  bytes: number,
  datagramBytes: number,
  fullFrameUs: number,
  lossRate: number,
): number {
  return (bytes * fullFrameUs) / (datagramBytes * (1 - lossRate));
}
