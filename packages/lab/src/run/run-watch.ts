import type { TraceFact, TraceListener } from "@fardel/core";
import type { LossyLink, Medium, VirtualClock } from "@fardel/lossy-link";
import { presets } from "@fardel/lossy-link";
import { DatagramLog } from "./datagram-log.js";
import type { Command, Errand, RunWatcher } from "./lab-run.js";
import { airtimeOf } from "./medium.js";
import { NoteLog } from "./note-log.js";
import type { LabSettings } from "./settings.js";
import { type Onlooker, type Stations, stationOf, stationWords } from "./stations.js";
import { TransferLog } from "./transfer-log.js";
import { capitalised, inBytes, inSeconds } from "./words.js";

/** Rows of the table of datagrams, and bytes in them, after which a run is cut. */
export const DATAGRAMS_MAX = 400_000;
export const DATAGRAM_BYTES_MAX = 128 * 1024 * 1024;

/** Of blobs; commands have another. */
const BLOB_CHANNEL = 0;

/** Takes everything down that a record holds. */
export class RunWatch implements RunWatcher {
  readonly notes = new NoteLog();
  readonly transfers: TransferLog[] = [];
  readonly #settings: LabSettings;
  readonly #blobBytes: number;
  readonly #datagramsMax: number;
  #clock!: VirtualClock;
  #log!: DatagramLog;
  /** By sender · 65,536 + receiver. */
  readonly #transferOf = new Map<number, TransferLog>();
  /** Who has asked whom for an ack, and has had none since. */
  readonly #asked = new Set<number>();
  #stopObserving = () => {};
  #isFinished = false;
  fragmentsSent = 0;
  fragmentsRepeated = 0;

  /** @param datagramsMax - rows after which it is full */
  constructor(settings: LabSettings, blobBytes: number, datagramsMax: number) {
    this.#settings = settings;
    this.#datagramsMax = datagramsMax;
    this.#blobBytes = blobBytes;
    for (let board = 1; board <= settings.boards; board++) {
      const [from, to] = settings.load.direction === "push" ? [0, board] : [board, 0];
      const transfer = new TransferLog(from, to, BLOB_CHANNEL, blobBytes);
      this.transfers.push(transfer);
      this.#transferOf.set(wayOf(from, to), transfer);
    }
  }

  get datagrams(): DatagramLog {
    return this.#log;
  }

  get isFull(): boolean {
    return this.#log.count >= this.#datagramsMax || this.#log.byteCount >= DATAGRAM_BYTES_MAX;
  }

  readonly onlooker = (medium: Medium, clock: VirtualClock): Onlooker => {
    const { preset, boards } = this.#settings;
    this.#clock = clock;
    const airtime = airtimeOf(this.#settings, presets[preset]());
    const log = new DatagramLog(airtime, boards + 1, () => clock.nowUs());
    this.#log = log;
    this.#stopObserving = medium.observe((observation) => log.observe(observation));
    return {
      watch: (station: number, link: LossyLink) => log.watch(station, link),
      traceOf: (station: number): TraceListener => {
        return (fact) => this.#note(station, fact);
      },
    };
  };

  began({ endpoints }: Stations): void {
    const size = inBytes(this.#blobBytes);
    const isPush = this.#settings.load.direction === "push";
    for (let board = 1; board <= this.#settings.boards; board++) {
      const words = isPush
        ? `The gateway begins to send ${size} to row ${board}.`
        : `Row ${board} begins to send ${size} to the gateway.`;
      this.notes.add({ atUs: 0, kind: "transfer", text: words, station: board });
    }
    for (const [station, endpoint] of endpoints.entries()) {
      endpoint.on("session-opened", ({ peer }) => {
        if (station === 0) this.#noteSession(stationOf(peer.address), "is open", "session");
      });
      endpoint.on("session-ended", ({ peer, why }) => {
        const other = stationOf(peer.address);
        this.#transferOf.get(wayOf(station, other))?.endSession();
        if (station === 0) this.#noteSession(other, `is over: ${why}`, "trouble");
      });
    }
  }

  delivered({ board, to, handedOverUs, deliveredUs }: Errand): void {
    const who = capitalised(stationWords(to));
    const whose = to === 0 ? ` of row ${board}` : "";
    const text = `${who} has the whole blob${whose}, ${inSeconds(deliveredUs - handedOverUs)} after it was handed over.`;
    this.notes.add({ atUs: deliveredUs, kind: "transfer", text, station: board });
  }

  ended({ board, from, to, endedUs, outcome }: Errand): void {
    const who = capitalised(stationWords(from));
    const isDone = outcome === "delivered";
    const text = isDone
      ? `${who} knows that ${stationWords(to)} has it.`
      : `${who} gives the blob to ${stationWords(to)} up: ${outcome}.`;
    const kind = isDone ? "transfer" : "trouble";
    this.notes.add({ atUs: endedUs, kind, text, station: board });
  }

  commandSent({ board, sentUs }: Command): void {
    const text = `The gateway sends a command to row ${board}, ahead of the blob.`;
    this.notes.add({ atUs: sentUs, kind: "command", text, station: board });
  }

  commandDelivered({ board, sentUs, deliveredUs }: Command): void {
    const text = `Row ${board} has the command, after ${inSeconds(deliveredUs - sentUs)}.`;
    this.notes.add({ atUs: deliveredUs, kind: "command", text, station: board });
  }

  finished(): void {
    this.#stopObserving();
    this.#isFinished = true;
  }

  #note(station: number, fact: TraceFact): void {
    if (this.#isFinished) return;
    const peer = stationOf(fact.peer);
    if (fact.type === "probe-sent") {
      this.#noteProbe(station, peer);
      return;
    }
    const isBlob = fact.channel === BLOB_CHANNEL;
    if (fact.type === "fragment-sent") {
      this.#log.noteFragment(station, fact.isRepeat, !isBlob);
      if (fact.isRepeat) this.fragmentsRepeated++;
      else this.fragmentsSent++;
    } else if (fact.type === "window-told") {
      this.#asked.delete(wayOf(station, peer));
    }
    if (!isBlob) return;
    const transfer = this.#transferOf.get(wayOf(station, peer));
    transfer?.note(fact, this.#clock.nowUs(), this.#log.nextOf(station));
  }

  /** The first of several in a row. */
  #noteProbe(station: number, peer: number): void {
    const way = wayOf(station, peer);
    if (this.#asked.has(way)) return;
    this.#asked.add(way);
    const text = `${capitalised(stationWords(station))} asks ${stationWords(peer)} what has arrived.`;
    const board = Math.max(station, peer);
    this.notes.add({ atUs: this.#clock.nowUs(), kind: "transfer", text, station: board });
  }

  #noteSession(board: number, what: string, kind: "session" | "trouble"): void {
    if (this.#isFinished) return;
    const text = `The session with row ${board} ${what}.`;
    this.notes.add({ atUs: this.#clock.nowUs(), kind, text, station: board });
  }
}

function wayOf(from: number, to: number): number {
  return from * 65_536 + to;
}
