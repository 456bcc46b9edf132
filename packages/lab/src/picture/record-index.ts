import type { RunRecord, TransferRecord } from "../run/record.js";

/** What pictures look up in a record again and again; made once for each. */
export interface RecordIndex {
  /** For each datagram the board whose lane it belongs to: index in `stations`. */
  readonly lane: Uint16Array;
  /** For each datagram: 1 from the board to the gateway. */
  readonly isBack: Uint8Array;
  /** For each datagram the fragment of the blob that it carries, or -1. */
  readonly fragment: Int32Array;
  /** Largest datagram, bytes. */
  readonly largestBytes: number;
  /** For each station the transfer that is shown with it: index in `transfers`, or -1. */
  readonly transfer: Int16Array;
}

const indexes = new WeakMap<RunRecord, RecordIndex>();

export function indexOf(record: RunRecord): RecordIndex {
  const known = indexes.get(record);
  if (known !== undefined) return known;
  const made = makeIndex(record);
  indexes.set(record, made);
  return made;
}

/** The board at the far end of a transfer, whichever way it goes. */
export function boardOf({ from, to }: TransferRecord): number {
  return from === 0 ? to : from;
}

/** The transfer that the large picture of a board shows: its first one. */
export function transferOf(record: RunRecord, board: number): TransferRecord | undefined {
  return record.transfers[indexOf(record).transfer[board] ?? -1];
}

function makeIndex(record: RunRecord): RecordIndex {
  const { datagrams, stations, transfers } = record;
  const { count, from, to, byteFrom } = datagrams;
  const lane = new Uint16Array(count);
  const isBack = new Uint8Array(count);
  const last = Math.max(stations.length - 1, 1);
  let largestBytes = 1;
  for (let row = 0; row < count; row++) {
    isBack[row] = from[row] === 0 ? 0 : 1;
    const board = from[row] === 0 ? to[row]! : from[row]!;
    lane[row] = board < 1 || board > last ? 1 : board;
    largestBytes = Math.max(largestBytes, byteFrom[row + 1]! - byteFrom[row]!);
  }
  return {
    lane,
    isBack,
    fragment: fragmentsByRow(count, transfers),
    largestBytes,
    transfer: Int16Array.from(stations, (_, station) =>
      transfers.findIndex((transfer) => boardOf(transfer) === station),
    ),
  };
}

function fragmentsByRow(count: number, transfers: readonly TransferRecord[]): Int32Array {
  const fragment = new Int32Array(count).fill(-1);
  for (const { sends } of transfers) {
    for (let index = 0; index < sends.datagram.length; index++) {
      const row = sends.datagram[index]!;
      if (row < count) fragment[row] = sends.fragment[index]!;
    }
  }
  return fragment;
}
