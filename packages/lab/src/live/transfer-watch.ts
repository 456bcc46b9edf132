import type { TransferReport } from "@fardel/core";
import type { EventLog } from "./event-log.js";
import { byteSize, counted, elapsed } from "./figures.js";
import { hex } from "./hex.js";

/** Messages of fewer bytes are over before anybody can look, bytes. */
export const TRANSFER_BYTES_MIN = 1024;
/** Transfers that are asked for at most: as many as an endpoint tells by itself. */
export const TRANSFERS_MAX = 1000;
/** Beginnings and ends of one interval that get an event each; what is beyond shares one. */
export const TRANSFERS_TOLD_MAX = 20;

/** A message on its way. */
export interface WatchedTransfer {
  readonly id: number;
  readonly report: TransferReport;
  /** Key of its peer. */
  readonly key: string;
  readonly sinceUs: number;
  /** In the last interval; left out at the first look. */
  readonly bytesPerS?: number;
}

/** Message bytes under way: what is done of them so far, each way. */
export interface DoneBytes {
  readonly sent: number;
  readonly received: number;
}

/** Bytes of messages that arrived whole since the look before, each way. */
export interface PeerProgress {
  readonly messageBytesSent: number;
  readonly messageBytesReceived: number;
}

/** Tells transfers apart from one look to the next, and what became of those that are gone. */
export class TransferWatch {
  readonly #log: EventLog;
  readonly #called: (transfer: TransferReport) => string;
  #transfers: readonly WatchedTransfer[] = [];
  #atUs = 0;
  #done: DoneBytes = { sent: 0, received: 0 };
  #progress: DoneBytes = { sent: 0, received: 0 };
  #ids = 0;
  #told = 0;
  #untold = 0;

  /** @param called - how a sentence calls the peer of a transfer */
  constructor(log: EventLog, called: (transfer: TransferReport) => string) {
    this.#log = log;
    this.#called = called;
  }

  get transfers(): readonly WatchedTransfer[] {
    return this.#transfers;
  }

  /**
   * By how much more is done of what is under way than at the look before. Together with the messages
   * that became whole meanwhile it is what has passed: these count in full there, and what was done
   * of them before is missing here.
   */
  get progress(): DoneBytes {
    return this.#progress;
  }

  look(
    reports: readonly TransferReport[],
    atUs: number,
    progressOf: (peerKey: string) => PeerProgress,
  ): void {
    const before = byPlace(this.#transfers);
    const intervalS = (atUs - this.#atUs) / 1e6;
    const now: WatchedTransfer[] = [];
    for (const report of reports) {
      const { totalBytes } = report;
      if (totalBytes !== undefined && totalBytes < TRANSFER_BYTES_MIN) continue;
      const known = takeSame(before.get(placeOf(report)), report);
      now.push(known ? continued(known, report, intervalS) : this.#begin(report, atUs));
    }
    // Of so many, the list has only some: those that it leaves out need not be over.
    if (reports.length < TRANSFERS_MAX) {
      this.#endAll([...before.values()].flat(), atUs, new Arrivals(progressOf));
    }
    this.#transfers = now;
    this.#atUs = atUs;
    this.#finish(atUs);
    this.#tally(reports);
  }

  #begin(report: TransferReport, atUs: number): WatchedTransfer {
    const { peer, totalBytes } = report;
    const size = totalBytes === undefined ? "of unknown size" : `of ${byteSize(totalBytes)}`;
    this.#tell("transfer-begun", atUs, `Transfer ${size} ${this.#whom(report)} has begun.`, false);
    return { id: ++this.#ids, report, key: hex(peer), sinceUs: atUs };
  }

  #endAll(gone: readonly WatchedTransfer[], atUs: number, arrivals: Arrivals): void {
    for (const { report, key, sinceUs } of gone) {
      const { direction, totalBytes, doneBytes } = report;
      const bytes = totalBytes ?? doneBytes;
      const isWhole = arrivals.take(key, direction, bytes);
      const whom = this.#whom(report);
      const text = isWhole
        ? `Transfer of ${byteSize(bytes)} ${whom} is whole, after about ${elapsed(atUs - sinceUs)}.`
        : `Transfer ${whom} was given up with ${byteSize(doneBytes)} of it done.`;
      this.#tell("transfer-ended", atUs, text, !isWhole);
    }
  }

  #tally(reports: readonly TransferReport[]): void {
    const done = { sent: 0, received: 0 };
    for (const { direction, doneBytes } of reports) {
      if (direction === "sending") done.sent += doneBytes;
      else done.received += doneBytes;
    }
    const { sent, received } = this.#done;
    this.#progress = { sent: done.sent - sent, received: done.received - received };
    this.#done = done;
  }

  #whom(report: TransferReport): string {
    return `${report.direction === "sending" ? "to" : "from"} ${this.#called(report)}`;
  }

  #tell(
    kind: "transfer-begun" | "transfer-ended",
    atUs: number,
    text: string,
    isTrouble: boolean,
  ): void {
    if (this.#told >= TRANSFERS_TOLD_MAX) {
      this.#untold++;
      return;
    }
    this.#told++;
    this.#log.add({ atUs, kind, text, isTrouble });
  }

  #finish(atUs: number): void {
    if (this.#untold > 0) {
      const text = `${counted(this.#untold, "further transfer")} began or ended meanwhile.`;
      this.#log.add({ atUs, kind: "transfer-ended", text, isTrouble: false });
    }
    this.#told = 0;
    this.#untold = 0;
  }
}

/**
 * The bytes that arrived whole in an interval, to be shared out among the transfers that are gone:
 * one that finds too few of them was given up.
 */
class Arrivals {
  readonly #progressOf: (peerKey: string) => PeerProgress;
  readonly #taken = new Map<string, number>();

  constructor(progressOf: (peerKey: string) => PeerProgress) {
    this.#progressOf = progressOf;
  }

  take(key: string, direction: "sending" | "receiving", bytes: number): boolean {
    const { messageBytesSent, messageBytesReceived } = this.#progressOf(key);
    const account = `${direction} ${key}`;
    const taken = (this.#taken.get(account) ?? 0) + bytes;
    if (taken > (direction === "sending" ? messageBytesSent : messageBytesReceived)) return false;
    this.#taken.set(account, taken);
    return true;
  }
}

function continued(
  known: WatchedTransfer,
  report: TransferReport,
  intervalS: number,
): WatchedTransfer {
  const moreBytes = report.doneBytes - known.report.doneBytes;
  return { ...known, report, bytesPerS: intervalS > 0 ? Math.round(moreBytes / intervalS) : 0 };
}

/** On one channel of a peer, each way, messages go one after the other. */
function placeOf({ peer, direction, way, channel }: TransferReport): string {
  return `${hex(peer)}/${direction}/${way}/${channel}`;
}

function byPlace(transfers: readonly WatchedTransfer[]): Map<string, WatchedTransfer[]> {
  const places = new Map<string, WatchedTransfer[]>();
  for (const transfer of transfers) {
    const place = placeOf(transfer.report);
    const others = places.get(place);
    if (others) others.push(transfer);
    else places.set(place, [transfer]);
  }
  return places;
}

/** Takes out the transfer that this can be: as long, and not further on than this is now. */
function takeSame(
  known: WatchedTransfer[] | undefined,
  { totalBytes, doneBytes }: TransferReport,
): WatchedTransfer | undefined {
  const index = (known ?? []).findIndex(
    ({ report }) => report.totalBytes === totalBytes && report.doneBytes <= doneBytes,
  );
  return index < 0 ? undefined : known?.splice(index, 1)[0];
}
