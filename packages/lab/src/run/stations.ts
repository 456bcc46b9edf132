import { type Address, Endpoint, type Link, type TraceListener } from "@fardel/core";
import { formatAddress, type LossyLink, Medium, Random, VirtualClock } from "@fardel/lossy-link";
import { limitsFor } from "./defaults.js";
import { boardDistanceM, mediumSettings, positionOf } from "./medium.js";
import type { StationRecord } from "./record.js";
import type { LabSettings } from "./settings.js";

/** Who looks on while a run goes on. Left out, a run costs less. */
export interface Onlooker {
  /** A link to use in place of a station's own. */
  watch(station: number, link: LossyLink): Link;
  /** Is told what the endpoint of a station does. */
  traceOf(station: number): TraceListener;
}

/** A gateway and its boards, which have never spoken, on a medium of their own. */
export interface Stations {
  readonly clock: VirtualClock;
  readonly medium: Medium;
  /** 0 is the gateway, boards count from 1. */
  readonly endpoints: readonly Endpoint[];
  readonly links: readonly LossyLink[];
  /** For what the run itself leaves to chance. */
  readonly random: Random;
}

/** Everything random in it comes from the seed of the settings. */
export async function openStations(
  settings: LabSettings,
  blobBytes: number,
  onlooker?: (medium: Medium, clock: VirtualClock) => Onlooker,
): Promise<Stations> {
  const { seed, boards, window } = settings;
  const clock = new VirtualClock();
  const medium = new Medium({ ...mediumSettings(settings), clock, seed });
  const watcher = onlooker?.(medium, clock);
  const random = new Random(seed);
  const limits = limitsFor(blobBytes, boards);
  const endpoints: Endpoint[] = [];
  const links: LossyLink[] = [];
  for (let station = 0; station <= boards; station++) {
    const position = positionOf(settings, station);
    const link = medium.attach({ address: stationAddress(station), ...(position && { position }) });
    links.push(link);
    const stream = random.stream(`station ${station}`);
    endpoints.push(
      await Endpoint.open({
        ...limits,
        link: watcher?.watch(station, link) ?? link,
        clock,
        random: () => stream.uint32(),
        window,
        ...(watcher && { trace: watcher.traceOf(station) }),
      }),
    );
  }
  return { clock, medium, endpoints, links, random: random.stream("lab") };
}

/** Locally administered (IEEE 802): the gateway is `02:00:00:00:00:00`. */
export function stationAddress(station: number): Address {
  return Uint8Array.of(2, 0, 0, 0, station >> 8, station & 0xff);
}

export function stationOf(address: Address): number {
  return ((address[4] ?? 0) << 8) | (address[5] ?? 0);
}

export function stationName(station: number): string {
  return station === 0 ? "gateway" : `row ${station}`;
}

/** As a sentence begins with it, or goes on. */
export function stationWords(station: number): string {
  return station === 0 ? "the gateway" : `row ${station}`;
}

export function describeStation(settings: LabSettings, station: number): StationRecord {
  const isAway = station > 0 && settings.distanceM > 0;
  return {
    name: stationName(station),
    address: formatAddress(stationAddress(station)),
    distanceM: isAway ? boardDistanceM(settings, station) : undefined,
  };
}
