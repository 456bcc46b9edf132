import type { DatagramTable, NoteRecord, RunRecord, TransferRecord } from "./record.js";

// What a picture asks of a record at an instant. Everything here is a search in ascending columns, or
// is made once for each record; nothing is kept per frame.

/** Number of values of an ascending column that are at most `atUs`. */
export function countUntil(column: Float64Array, atUs: number, count = column.length): number {
  let low = 0;
  let high = count;
  while (low < high) {
    const middle = (low + high) >>> 1;
    if (column[middle]! <= atUs) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Rows `from` to `to - 1` of a table. */
export interface RowRange {
  from: number;
  to: number;
}

/** Ascending moments of one record, to be searched in. Made once for each, see {@link momentsOf}. */
export interface Moments {
  /** From the start of a datagram to its end or arrival, the longest; microseconds. */
  readonly longestUs: number;
  readonly transfers: readonly TransferMoments[];
}

/** Of one transfer; each column ascends, and has an entry for each fragment that got so far. */
export interface TransferMoments {
  readonly sentUs: Float64Array;
  readonly arrivedUs: Float64Array;
  readonly acknowledgedUs: Float64Array;
  /** When the receiver had another fragment without a gap before it, and how many bytes that makes. */
  readonly inOrderUs: Float64Array;
  readonly inOrderBytes: Float64Array;
}

const known = new WeakMap<RunRecord, Moments>();

export function momentsOf(record: RunRecord): Moments {
  const before = known.get(record);
  if (before !== undefined) return before;
  const moments = {
    longestUs: longestUs(record.datagrams),
    transfers: record.transfers.map(momentsOfTransfer),
  };
  known.set(record, moments);
  return moments;
}

/**
 * Rows among which all are that are on their way at `atUs`. Some in between may have ended: look at
 * `leftUs` and `arrivedUs`.
 * @param into - is written to and returned
 */
export function rowsUnderWay(record: RunRecord, atUs: number, into: RowRange): RowRange {
  const { startUs, count } = record.datagrams;
  into.to = countUntil(startUs, atUs, count);
  // One that began before this has ended.
  const earliestUs = atUs - momentsOf(record).longestUs;
  let from = countUntil(startUs, earliestUs, count);
  while (from > 0 && startUs[from - 1] === earliestUs) from--;
  into.from = from;
  return into;
}

/** When a row's datagram is no longer on its way: arrival, or the end of its time on air. */
export function endOfRow({ leftUs, arrivedUs }: DatagramTable, row: number): number {
  const cameUs = arrivedUs[row]!;
  return Number.isNaN(cameUs) ? leftUs[row]! : cameUs;
}

/** How far a transfer is at an instant, fragments. */
export interface FragmentCounts {
  sent: number;
  arrived: number;
  acknowledged: number;
}

/** @param into - is written to and returned */
export function fragmentCountsAt(
  record: RunRecord,
  transfer: number,
  atUs: number,
  into: FragmentCounts,
): FragmentCounts {
  const moments = momentsOf(record).transfers[transfer];
  into.sent = moments === undefined ? 0 : countUntil(moments.sentUs, atUs);
  into.arrived = moments === undefined ? 0 : countUntil(moments.arrivedUs, atUs);
  into.acknowledged = moments === undefined ? 0 : countUntil(moments.acknowledgedUs, atUs);
  return into;
}

/** Message bytes that the receiver of a transfer has without a gap. */
export function bytesInOrderAt(record: RunRecord, transfer: number, atUs: number): number {
  const moments = momentsOf(record).transfers[transfer];
  if (moments === undefined) return 0;
  const steps = countUntil(moments.inOrderUs, atUs);
  return steps === 0 ? 0 : moments.inOrderBytes[steps - 1]!;
}

/**
 * Which row of `window` holds at an instant; -1: no window was told yet, and one fragment may be
 * under way (PROTOCOL.md, section 5.2).
 */
export function windowRowAt({ window }: TransferRecord, atUs: number): number {
  return countUntil(window.atUs, atUs) - 1;
}

/** Number of notes until an instant: those before this index. */
export function notesUntil(notes: readonly NoteRecord[], atUs: number): number {
  let low = 0;
  let high = notes.length;
  while (low < high) {
    const middle = (low + high) >>> 1;
    if (notes[middle]!.atUs <= atUs) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** When the next datagram begins; the end of the run if there is none. */
export function nextStartUs({ datagrams, endUs }: RunRecord, atUs: number): number {
  const row = countUntil(datagrams.startUs, atUs, datagrams.count);
  return row < datagrams.count ? datagrams.startUs[row]! : endUs;
}

/** When the datagram before this instant began; 0 if there is none. */
export function previousStartUs({ datagrams }: RunRecord, atUs: number): number {
  const { startUs, count } = datagrams;
  let row = countUntil(startUs, atUs, count) - 1;
  while (row >= 0 && startUs[row] === atUs) row--;
  return row >= 0 ? startUs[row]! : 0;
}

/** One point of a chart. */
export interface GoodputPoint {
  /** The middle of the interval. */
  readonly atUs: number;
  readonly bytesPerS: number;
}

/**
 * Message bytes per second, by when they were at their receivers without a gap before them, in
 * intervals of one length. The last interval ends with the run.
 *
 * @param points - 1..10,000
 * @param transfer - index; left out: all together
 */
export function goodputSeries(
  record: RunRecord,
  points: number,
  transfer?: number,
): GoodputPoint[] {
  const { endUs } = record;
  if (!(endUs > 0)) return [];
  const stepUs = endUs / points;
  const bytes = new Float64Array(points);
  for (const [index, { inOrderUs, inOrderBytes }] of momentsOf(record).transfers.entries()) {
    if (transfer !== undefined && transfer !== index) continue;
    for (let step = 0; step < inOrderUs.length; step++) {
      const before = step === 0 ? 0 : inOrderBytes[step - 1]!;
      const interval = Math.min(points - 1, Math.floor(inOrderUs[step]! / stepUs));
      bytes[interval]! += inOrderBytes[step]! - before;
    }
  }
  return Array.from(bytes, (sum, index) => ({
    atUs: (index + 0.5) * stepUs,
    bytesPerS: (sum * 1e6) / stepUs,
  }));
}

function longestUs(datagrams: DatagramTable): number {
  let longest = 0;
  for (let row = 0; row < datagrams.count; row++) {
    longest = Math.max(longest, endOfRow(datagrams, row) - datagrams.startUs[row]!);
  }
  return longest;
}

function momentsOfTransfer(transfer: TransferRecord): TransferMoments {
  const { arrivedUs, fragmentBytes, fragmentCount } = transfer;
  const inOrderUs = new Float64Array(fragmentCount);
  const inOrderBytes = new Float64Array(fragmentCount);
  let count = 0;
  let latestUs = 0;
  let bytes = 0;
  while (count < fragmentCount && !Number.isNaN(arrivedUs[count]!)) {
    latestUs = Math.max(latestUs, arrivedUs[count]!);
    bytes += fragmentBytes[count]!;
    inOrderUs[count] = latestUs;
    inOrderBytes[count] = bytes;
    count++;
  }
  return {
    sentUs: ascending(transfer.sentUs),
    arrivedUs: ascending(arrivedUs),
    acknowledgedUs: ascending(transfer.acknowledgedUs),
    inOrderUs: inOrderUs.slice(0, count),
    inOrderBytes: inOrderBytes.slice(0, count),
  };
}

/** Without those that never came. */
function ascending(column: Float64Array): Float64Array {
  return column.filter((us) => !Number.isNaN(us)).sort();
}
