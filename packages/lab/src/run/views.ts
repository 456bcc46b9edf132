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

function longestUs(datagrams: DatagramTable): number {
  let longest = 0;
  for (let row = 0; row < datagrams.count; row++) {
    longest = Math.max(longest, endOfRow(datagrams, row) - datagrams.startUs[row]!);
  }
  return longest;
}

function momentsOfTransfer(transfer: TransferRecord): TransferMoments {
  return {
    sentUs: ascending(transfer.sentUs),
    arrivedUs: ascending(transfer.arrivedUs),
    acknowledgedUs: ascending(transfer.acknowledgedUs),
  };
}

/** Without those that never came. */
function ascending(column: Float64Array): Float64Array {
  return column.filter((us) => !Number.isNaN(us)).sort();
}
