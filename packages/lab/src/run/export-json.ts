import { toHex } from "./hex.js";
import {
  DATAGRAM_KINDS,
  type DatagramTable,
  FATE_NAMES,
  LOSS_CAUSES,
  type RunRecord,
  type TransferRecord,
} from "./record.js";

/** Of the shape that RECORD.md describes. */
export const JSON_VERSION = 1;

/**
 * A record as JSON, in pieces that belong behind each other: a large one does not fit into a string
 * everywhere, but into a `Blob`. RECORD.md describes it.
 */
export function* recordToJson(record: RunRecord): Generator<string> {
  const { datagrams, transfers, ...rest } = record;
  const head = { format: "fardel-lab-run", version: JSON_VERSION, ...rest };
  // Without its last brace.
  yield `${json(head).slice(0, -1)},\n"transfers":[`;
  for (const [index, transfer] of transfers.entries()) {
    yield `${index === 0 ? "\n" : ",\n"}${json(transferJson(transfer))}`;
  }
  yield '],\n"datagrams":[';
  for (let row = 0; row < datagrams.count; row++) {
    yield `${row === 0 ? "\n" : ",\n"}${json(datagramJson(datagrams, row))}`;
  }
  yield "\n]}\n";
}

function datagramJson(table: DatagramTable, row: number): Record<string, unknown> {
  const { startUs, leftUs, arrivedUs, from, to, fate, kind, isCopy, rssiDbm } = table;
  return {
    startUs: startUs[row],
    leftUs: leftUs[row],
    arrivedUs: arrivedUs[row],
    from: stationJson(from[row]!),
    to: stationJson(to[row]!),
    fate: FATE_NAMES[fate[row]!],
    kind: DATAGRAM_KINDS[kind[row]!],
    isCopy: isCopy[row] === 1,
    rssiDbm: rssiDbm[row],
    bytes: toHex(table.bytes.subarray(table.byteFrom[row], table.byteFrom[row + 1])),
  };
}

/** 65,535 is nobody in particular. */
function stationJson(station: number): number | null {
  return station === 0xffff ? null : station;
}

function transferJson(transfer: TransferRecord): Record<string, unknown> {
  const { losses } = transfer;
  const causes = Array.from(losses.cause, (cause) => LOSS_CAUSES[cause]);
  return { ...transfer, losses: { ...losses, cause: causes } };
}

/** Columns as lists; what never happened (`NaN`) and what is not known as `null`. */
function json(value: unknown): string {
  return JSON.stringify(value, (_, each: unknown) => {
    if (each === undefined || (typeof each === "number" && Number.isNaN(each))) return null;
    if (each instanceof Float64Array || each instanceof Uint32Array) return Array.from(each);
    if (each instanceof Uint16Array || each instanceof Uint8Array) return Array.from(each);
    return each;
  });
}
