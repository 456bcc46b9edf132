import {
  type Airtime,
  airtimeUs,
  environments,
  type Impairments,
  type MediumSettings,
  type Position,
  type Preset,
  presets,
  signalLossRate,
} from "@fardel/lossy-link";
import type { LabSettings } from "./settings.js";

/** Held-up datagrams come up to so many full frames late, copies too. */
const LATE_FRAMES = 3;
/** Where a frame takes no time on air, microseconds. */
const LATE_US_MIN = 100;

/** Where distance counts, the boards stand among trees. */
const SURROUNDINGS = environments.orchard;

/** The nearest board stands at this share of the distance, the farthest at as much beyond it. */
const NEAREST_SHARE = 0.75;

/** The medium that the settings ask for, without its clock and its seed. */
export function mediumSettings(settings: LabSettings): MediumSettings {
  const preset = presets[settings.preset]();
  return {
    ...preset,
    mtuBytes: settings.datagramBytes,
    airtime: airtimeOf(settings, preset),
    ...impairmentsOf(settings),
    propagation: settings.distanceM > 0 ? SURROUNDINGS : null,
  };
}

/** Time on air by the rate that is set; preamble and gaps stay those of the preset. */
export function airtimeOf({ rateKbps }: LabSettings, preset: Preset): Airtime {
  return rateKbps > 0 ? { ...preset.airtime, perByteUs: 8_000 / rateKbps } : preset.airtime;
}

/** By how much a datagram can arrive after it has left the air, microseconds. */
export function arrivalUsMax(settings: LabSettings): number {
  const { delayUs = 0, jitterUs = 0 } = presets[settings.preset]();
  return delayUs + jitterUs + 2 * lateUsMax(settings);
}

/** From the gateway, metres: row 1 is the nearest. One board alone stands where it is said to. */
export function boardDistanceM({ distanceM, boards }: LabSettings, board: number): number {
  if (boards === 1) return distanceM;
  const share = (board - 1) / (boards - 1);
  return distanceM * (NEAREST_SHARE + 2 * (1 - NEAREST_SHARE) * share);
}

/** Where a station stands; `undefined` where distance is left out. 0 is the gateway. */
export function positionOf(settings: LabSettings, station: number): Position | undefined {
  if (settings.distanceM === 0) return undefined;
  // Row behind row, the gateway in front.
  return { xM: station === 0 ? 0 : boardDistanceM(settings, station), yM: 0 };
}

/** Share of datagrams that is lost at this strength, besides what the settings lose. */
export function fadedShare(rssiDbm: number): number {
  return signalLossRate(rssiDbm, SURROUNDINGS);
}

/**
 * What the channel can carry without any loss, message bytes per second: full datagrams one after the
 * other. Where stations contend (IEEE 802.11) DIFS and half the first window of slots come before
 * each, and the neighbour's ack behind it. `undefined` where frames take no time.
 */
export function fullRateBytesPerS(settings: LabSettings): number | undefined {
  const preset = presets[settings.preset]();
  const { arbitration, neighbourAcks } = preset;
  let us = airtimeUs(airtimeOf(settings, preset), settings.datagramBytes);
  if (typeof arbitration !== "string") {
    us += arbitration.difsUs + (arbitration.cwMin / 2) * arbitration.slotUs;
  }
  if (typeof neighbourAcks !== "boolean") us += neighbourAcks.ackUs ?? 0;
  return us > 0 ? (settings.datagramBytes / us) * 1e6 : undefined;
}

/** Intervals in order, none meeting another; whole microseconds. */
export function outagesUs({ outagesS }: LabSettings): [number, number][] {
  const sorted = outagesS
    .map(([fromS, toS]): [number, number] => [Math.round(fromS * 1e6), Math.round(toS * 1e6)])
    .filter(([fromUs, toUs]) => toUs > fromUs)
    .sort(([one], [other]) => one - other);
  const merged: [number, number][] = [];
  for (const [fromUs, toUs] of sorted) {
    const last = merged.at(-1);
    if (last !== undefined && fromUs <= last[1]) last[1] = Math.max(last[1], toUs);
    else merged.push([fromUs, toUs]);
  }
  return merged;
}

function impairmentsOf(settings: LabSettings): Impairments {
  const { duplicate, reorder, corrupt } = settings;
  const delayUsMax = lateUsMax(settings);
  return {
    ...lossOf(settings),
    ...(duplicate > 0 && { duplication: { probability: duplicate, delayUsMax } }),
    ...(reorder > 0 && { reordering: { probability: reorder, delayUsMax } }),
    ...(corrupt > 0 && { corruption: { probability: corrupt, bitsMin: 1, bitsMax: 3 } }),
    outages: outagesUs(settings),
  };
}

/**
 * Two states, with everything lost in the bad one (E. N. Gilbert, 1960): two means fix its two
 * parameters. Losses that fall each for itself come in runs of 1/(1 − loss) on the mean; what is
 * not longer than that is taken as such. As in `fardel simulate`.
 */
function lossOf({ loss, burst }: LabSettings): Impairments {
  if (loss === 0 || burst * (1 - loss) <= 1) return { loss };
  return { burst: { goodToBad: loss / (1 - loss) / burst, badToGood: 1 / burst } };
}

function lateUsMax(settings: LabSettings): number {
  const airtime = airtimeOf(settings, presets[settings.preset]());
  return Math.max(LATE_US_MIN, LATE_FRAMES * airtimeUs(airtime, settings.datagramBytes));
}
