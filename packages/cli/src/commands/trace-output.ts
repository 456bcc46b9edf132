import type { Address } from "@fardel/core";
import type { Context, Output } from "../context.js";
import { counted } from "../format.js";
import { printable, writeJson } from "../output.js";
import { datagramLine } from "../recording/datagram-line.js";
import { datagramWords } from "../recording/datagram-words.js";
import type { RecordedDatagram } from "../recording/format.js";
import type { Place } from "../recording/reader.js";
import { summaryLines, TraceSummary } from "./trace-summary.js";

/** How datagrams are shown. */
export interface ShowOptions {
  readonly json?: boolean;
  readonly summary?: boolean;
  /** End after so many that were shown. */
  readonly count?: number;
  /** Lines and objects of datagrams are left out: they are written to a file. */
  readonly isQuiet?: boolean;
}

/** Lines about damage that are printed; the rest is only counted. */
const DAMAGE_LINES_MAX = 20;

/** Prints the datagrams of a trace, and what is to be said at its end. */
export class TraceOutput {
  readonly #output: Output;
  readonly #options: ShowOptions;
  readonly #startedAt: Date;
  readonly #filter: (datagram: RecordedDatagram) => boolean;
  readonly #formatAddress: (address: Address) => string;
  readonly #summary = new TraceSummary();
  #seen = 0;
  #shown = 0;
  #damaged = 0;
  #dropped = 0;
  #damageWord = "damaged line";

  constructor(
    { output }: Pick<Context, "output">,
    options: ShowOptions,
    startedAt: Date,
    filter: (datagram: RecordedDatagram) => boolean,
    formatAddress: (address: Address) => string,
  ) {
    this.#output = output;
    this.#options = options;
    this.#startedAt = startedAt;
    this.#filter = filter;
    this.#formatAddress = formatAddress;
  }

  /** As many were shown as were asked for. */
  get isComplete(): boolean {
    return this.#shown >= (this.#options.count ?? Number.POSITIVE_INFINITY);
  }

  get hasDamage(): boolean {
    return this.#damaged > 0;
  }

  /** Shows a datagram, if it passes the filter. Keeps nothing of it. @returns whether it does */
  add(datagram: RecordedDatagram): boolean {
    this.#seen++;
    if (this.isComplete || !this.#filter(datagram)) return false;
    this.#shown++;
    this.#show(datagram);
    return true;
  }

  #show(datagram: RecordedDatagram): void {
    if (this.#options.summary) this.#summary.add(datagram);
    else if (this.#options.isQuiet) return;
    else if (this.#options.json) this.#writeObject(datagram);
    else this.#output.out(`${datagramLine(datagram, this.#formatAddress)}\n`);
  }

  /** A line of a recording, or a block, cannot be read. */
  addDamage(place: Place, why: string): void {
    this.#damaged++;
    if ("byte" in place) this.#damageWord = "damaged place";
    if (this.#options.json) writeJson(this.#output, { type: "damaged", ...place, why });
    if (this.#damaged > DAMAGE_LINES_MAX) return;
    const where = "line" in place ? `Line ${place.line}` : `What begins at byte ${place.byte}`;
    this.#note(`${where} cannot be read: ${why}.`);
  }

  /** The recording is missing datagrams. */
  addHole(atUs: number, dropped: number): void {
    this.#dropped += dropped;
    if (this.#options.json) writeJson(this.#output, { type: "dropped", atUs, dropped });
    const were = counted(dropped, "datagram");
    this.#note(`${were} from ${atUs / 1e6} s on were not recorded: the disk was too slow.`);
  }

  /** The last line of a recording, or its last block, is not whole. */
  addCut(place: Place): void {
    const where = "line" in place ? `line ${place.line}` : `the block at byte ${place.byte}`;
    this.#note(`The recording ends within ${where}: its writer was stopped.`);
  }

  #note(sentence: string): void {
    this.#output.err(`${printable(sentence)}\n`);
  }

  /** Waits while the reader of `out` is slower than we are. */
  async drained(): Promise<void> {
    await this.#output.drained?.();
  }

  /** Prints the summary if one was asked for, and how many there were. */
  finish(): void {
    const peers = this.#options.summary ? this.#summary.peers() : undefined;
    if (this.#options.json) {
      writeJson(this.#output, {
        type: "result",
        datagrams: this.#seen,
        shown: this.#shown,
        damagedLines: this.#damaged,
        droppedDatagrams: this.#dropped,
        ...(peers && {
          peers: peers.map((one) => ({
            ...one,
            peer: one.peer ? this.#formatAddress(one.peer) : "others",
          })),
        }),
      });
      return;
    }
    if (peers) this.#output.out(`${summaryLines(peers, this.#formatAddress).join("\n")}\n`);
    this.#output.err(`${this.#closingWords()}\n`);
  }

  #closingWords(): string {
    const seen = counted(this.#seen, "datagram");
    const shown = this.#shown === this.#seen ? "" : `, ${this.#shown} of them shown`;
    const damage = this.#damaged === 0 ? "" : `, ${counted(this.#damaged, this.#damageWord)}`;
    return `${seen}${shown}${damage}.`;
  }

  #writeObject(datagram: RecordedDatagram): void {
    const { atUs, direction, peer, to, bytes, outcome, tookUs, fate, rssiDbm, radioChannel } =
      datagram;
    const words = datagramWords(bytes);
    writeJson(this.#output, {
      type: "datagram",
      atUs,
      at: new Date(this.#startedAt.getTime() + Math.floor(atUs / 1000)),
      direction,
      peer: this.#formatAddress(peer),
      to: to && this.#formatAddress(to),
      sizeBytes: bytes.length,
      outcome,
      tookUs,
      fate,
      rssiDbm,
      radioChannel,
      frames: words.frames,
      text: words.text,
      bytes,
    });
  }
}
