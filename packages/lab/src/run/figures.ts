import type { MediumStatistics } from "@fardel/lossy-link";
import { deliveredBytes, type LabRun } from "./lab-run.js";
import { fadedShare, fullRateBytesPerS } from "./medium.js";
import { type DatagramTable, FATE_NAMES, type RunFigures } from "./record.js";
import type { RunWatch } from "./run-watch.js";
import type { LabSettings } from "./settings.js";

const DELIVERED = FATE_NAMES.indexOf("delivered");
const FILTERED = FATE_NAMES.indexOf("filtered");

/** What {@link figuresOf} counts. */
export interface FigureSources {
  readonly settings: LabSettings;
  readonly run: LabRun;
  readonly watch: RunWatch;
  readonly blobBytes: number;
  readonly datagrams: DatagramTable;
  readonly statistics: MediumStatistics;
}

/** What a run comes to. */
export function figuresOf(sources: FigureSources): RunFigures {
  const { settings, run, watch, blobBytes, datagrams, statistics } = sources;
  const elapsedUs = elapsedUsOf(run);
  const bytes = deliveredBytes(run, blobBytes);
  const goodputBytesPerS = elapsedUs > 0 ? (bytes * 1e6) / elapsedUs : 0;
  const limitBytesPerS = limitOf(settings, run, datagrams);
  return {
    elapsedUs,
    deliveredBytes: bytes,
    goodputBytesPerS,
    limitBytesPerS,
    efficiency: limitBytesPerS === undefined ? undefined : goodputBytesPerS / limitBytesPerS,
    datagramsOnAir: statistics.carried.datagrams,
    datagramsLost: lostDatagrams(datagrams),
    fragmentsSent: watch.fragmentsSent,
    fragmentsRepeated: watch.fragmentsRepeated,
    airtimeUs: statistics.airtimeUs,
    commandTimesUs: run.commands
      .filter(({ deliveredUs }) => !Number.isNaN(deliveredUs))
      .map(({ sentUs, deliveredUs }) => deliveredUs - sentUs),
  };
}

/** From the first hand-over to the last delivery, microseconds. */
export function elapsedUsOf({ errands }: LabRun): number {
  let firstUs = Number.POSITIVE_INFINITY;
  let lastUs = 0;
  for (const { handedOverUs, deliveredUs } of errands) {
    firstUs = Math.min(firstUs, handedOverUs);
    if (deliveredUs > lastUs) lastUs = deliveredUs;
  }
  return Math.max(0, lastUs - firstUs);
}

/**
 * What the channel can carry: of full datagrams, one after the other, those count that are not lost
 * (capacity of the erasure channel, P. Elias, 1955). Outages are left out. Boards that all want as
 * much share the time so that the far ones get more of it: the harmonic mean of what each could
 * have alone; those count that got their blob. `undefined` where frames take no time, or nobody got
 * any.
 */
function limitOf(
  settings: LabSettings,
  { errands }: LabRun,
  datagrams: DatagramTable,
): number | undefined {
  const full = fullRateBytesPerS(settings);
  const strengths = strengthsOf(settings.boards, datagrams);
  const whole = errands.filter(({ deliveredUs }) => !Number.isNaN(deliveredUs));
  if (full === undefined || whole.length === 0) return undefined;
  let inverse = 0;
  for (const { board } of whole) {
    const rssiDbm = strengths[board - 1]!;
    const faded = Number.isNaN(rssiDbm) ? 0 : fadedShare(rssiDbm);
    inverse += 1 / ((1 - settings.loss) * (1 - faded));
  }
  return Number.isFinite(inverse) ? (full * whole.length) / inverse : undefined;
}

/** dBm between the gateway and each board; `NaN`: not known. */
function strengthsOf(boards: number, { count, from, to, rssiDbm }: DatagramTable): Float64Array {
  const strengths = new Float64Array(boards).fill(Number.NaN);
  for (let row = 0; row < count; row++) {
    strengths[Math.max(from[row]!, to[row]!) - 1] = rssiDbm[row]!;
  }
  return strengths;
}

/** Those that did not arrive as they were sent; copies do not count. */
function lostDatagrams({ count, fate, isCopy }: DatagramTable): number {
  let lost = 0;
  for (let row = 0; row < count; row++) {
    if (isCopy[row] === 0 && fate[row] !== DELIVERED && fate[row] !== FILTERED) lost++;
  }
  return lost;
}
