import { indexOf } from "../picture/record-index.js";
import {
  DATAGRAM_KINDS,
  type DatagramKind,
  FATE_NAMES,
  type FateName,
  LOSS_CAUSES,
  type RunRecord,
} from "../run/record.js";
import { CAUSE_WORDS, FATE_WORDS, KIND_WORDS } from "./kinds.js";
import { bytesText, timeText } from "./quantities.js";

/** One datagram of a record, for tables and the detail pane. */
export interface DatagramFacts {
  readonly row: number;
  readonly from: string;
  readonly to: string;
  readonly startUs: number;
  readonly leftUs: number;
  readonly arrivedUs: number;
  readonly kind: DatagramKind;
  readonly fate: FateName;
  readonly isCopy: boolean;
  /** From zero; -1: it carries none of a blob. */
  readonly fragment: number;
  readonly byteCount: number;
  readonly rssiDbm: number;
}

export function factsOf(record: RunRecord, row: number): DatagramFacts {
  const { datagrams } = record;
  return {
    row,
    from: stationName(record, datagrams.from[row]!),
    to: stationName(record, datagrams.to[row]!),
    startUs: datagrams.startUs[row]!,
    leftUs: datagrams.leftUs[row]!,
    arrivedUs: datagrams.arrivedUs[row]!,
    kind: DATAGRAM_KINDS[datagrams.kind[row]!] ?? "other",
    fate: FATE_NAMES[datagrams.fate[row]!] ?? "pending",
    isCopy: datagrams.isCopy[row] === 1,
    fragment: indexOf(record).fragment[row]!,
    byteCount: datagrams.byteFrom[row + 1]! - datagrams.byteFrom[row]!,
    rssiDbm: datagrams.rssiDbm[row]!,
  };
}

export function bytesOf({ datagrams }: RunRecord, row: number): Uint8Array {
  return datagrams.bytes.subarray(datagrams.byteFrom[row]!, datagrams.byteFrom[row + 1]!);
}

function stationName({ stations }: RunRecord, station: number): string {
  return stations[station]?.name ?? "everybody";
}

/** `Datagram 34, from the gateway to row 1: repeat of fragment 12, 250 bytes. It was lost on the way.` */
export function datagramSentence(facts: DatagramFacts): string {
  const what = KIND_WORDS[facts.kind].name.toLowerCase();
  const fragment = facts.fragment < 0 ? "" : `, fragment ${facts.fragment + 1}`;
  const copy = facts.isCopy ? " (a second copy)" : "";
  return `Datagram ${facts.row + 1}${copy}, from ${facts.from} to ${facts.to}: ${what}${fragment}, ${bytesText(facts.byteCount)}. It ${FATE_WORDS[facts.fate].words}.`;
}

/** When it was on air, and when it arrived. */
export function datagramTimes({ startUs, leftUs, arrivedUs }: DatagramFacts): string {
  const onAir = `On air from ${timeText(startUs)} to ${timeText(leftUs)} (${timeText(leftUs - startUs)})`;
  return Number.isNaN(arrivedUs)
    ? `${onAir}.`
    : `${onAir}; at the receiver at ${timeText(arrivedUs)}.`;
}

/** When and why its sender took the fragment in it for lost; empty if it did not. */
export function lossSentence({ transfers }: RunRecord, row: number): string {
  for (const { sends, losses } of transfers) {
    const send = sends.datagram.indexOf(row);
    if (send < 0) continue;
    const fragment = sends.fragment[send]!;
    const again = sends.fragment.indexOf(fragment, send + 1);
    const againUs = again < 0 ? Number.POSITIVE_INFINITY : sends.atUs[again]!;
    // At one and the same instant it is first known to be lost, and then sent again.
    const loss = losses.fragment.findIndex(
      (each, at) =>
        each === fragment && losses.atUs[at]! > sends.atUs[send]! && losses.atUs[at]! <= againUs,
    );
    const cause = LOSS_CAUSES[losses.cause[loss] ?? -1];
    if (cause === undefined) continue;
    return `At ${timeText(losses.atUs[loss]!)} the sender took it for lost: ${CAUSE_WORDS[cause]}.`;
  }
  return "";
}
