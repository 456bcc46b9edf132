import { type Impairments, lossyPair, presets } from "@fardel/lossy-link";

/** What happened to many datagrams that left one after the other. */
export interface BurstCensus {
  readonly datagrams: number;
  readonly lost: number;
  /** Bursts of losses by their length; index 0 is not used. Of whole bursts only, not one cut by an end. */
  readonly burstsOfLength: readonly number[];
}

/** Handed over at once; more would only fill memory. */
const BATCH = 1000;
/** Between two datagrams, µs: what counts time sees datagrams at this distance. */
export const SPACING_US = 1000;

/** Sends datagrams through the simulated link, with nothing at its ends that would repeat any. */
export async function censusOf(
  datagrams: number,
  impairments: Impairments,
  seed: number,
): Promise<BurstCensus> {
  const { a, b, medium, clock } = lossyPair({
    ...presets.ideal(),
    airtime: { fixedUs: SPACING_US, perByteUs: 0, overheadBytes: 0 },
    outstandingMax: BATCH,
    seed,
    aToB: impairments,
  });
  let lost = 0;
  let lengthNow = 0;
  let isWhole = false;
  const burstsOfLength: number[] = [];
  medium.observe(({ fate }) => {
    if (fate === "lost") {
      lost++;
      lengthNow++;
      return;
    }
    if (lengthNow > 0 && isWhole) {
      burstsOfLength[lengthNow] = (burstsOfLength[lengthNow] ?? 0) + 1;
    }
    isWhole = true;
    lengthNow = 0;
  });
  a.open({ onDatagram: () => undefined });
  b.open({ onDatagram: () => undefined });
  const datagram = Uint8Array.of(0);
  for (let sent = 0; sent < datagrams; sent += BATCH) {
    const count = Math.min(BATCH, datagrams - sent);
    for (let i = 0; i < count; i++) a.send(b.localAddress, datagram, () => undefined);
    await clock.run();
  }
  return { datagrams, lost, burstsOfLength: Array.from(burstsOfLength, (count) => count ?? 0) };
}

/** How many bursts, and their mean length. */
export function burstsOf({ burstsOfLength }: BurstCensus): { count: number; meanLength: number } {
  const count = burstsOfLength.reduce((sum, each) => sum + each, 0);
  const datagrams = burstsOfLength.reduce((sum, each, length) => sum + each * length, 0);
  return { count, meanLength: datagrams / count };
}

/** Share of bursts with a length in this range, both ends included. */
export function shareOfLengths(census: BurstCensus, least: number, most: number): number {
  const inRange = census.burstsOfLength.slice(least, most + 1);
  return inRange.reduce((sum, each) => sum + each, 0) / burstsOf(census).count;
}
