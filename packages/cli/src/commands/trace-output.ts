import type { Address } from "@fardel/core";
import type { Context, Output } from "../context.js";
import { counted } from "../format.js";
import { printable, writeJson } from "../output.js";
import { datagramLine } from "../recording/datagram-line.js";
import { datagramWords } from "../recording/datagram-words.js";
import type { RecordedDatagram } from "../recording/format.js";
import { summaryLines, TraceSummary } from "./trace-summary.js";

/** How datagrams are shown. */
export interface ShowOptions {
  readonly json?: boolean;
  readonly summary?: boolean;
  /** End after so many that were shown. */
  readonly count?: number;
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

  /** Shows a datagram, if it passes the filter. Keeps nothing of it. */
  add(datagram: RecordedDatagram): void {
    this.#seen++;
    if (this.isComplete || !this.#filter(datagram)) return;
    this.#shown++;
    if (this.#options.summary) this.#summary.add(datagram);
    else if (this.#options.json) this.#writeObject(datagram);
    else this.#output.out(`${datagramLine(datagram, this.#formatAddress)}\n`);
  }

  /** A line of a recording cannot be read. */
  addDamage(line: number, why: string): void {
    this.#damaged++;
    if (this.#options.json) writeJson(this.#output, { type: "damaged", line, why });
    if (this.#damaged <= DAMAGE_LINES_MAX) this.#note(`Line ${line} cannot be read: ${why}.`);
  }

  /** The recording is missing datagrams. */
  addHole(atUs: number, dropped: number): void {
    this.#dropped += dropped;
    if (this.#options.json) writeJson(this.#output, { type: "dropped", atUs, dropped });
    const were = counted(dropped, "datagram");
    this.#note(`${were} from ${atUs / 1e6} s on were not recorded: the disk was too slow.`);
  }

  /** The last line of a recording is not whole. */
  addCut(line: number): void {
    this.#note(`The recording ends within line ${line}: its writer was stopped.`);
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
    const damage = this.#damaged === 0 ? "" : `, ${counted(this.#damaged, "damaged line")}`;
    return `${seen}${shown}${damage}.`;
  }

  #writeObject(datagram: RecordedDatagram): void {
    const { atUs, direction, peer, bytes, outcome, rssiDbm, radioChannel } = datagram;
    const words = datagramWords(bytes);
    writeJson(this.#output, {
      type: "datagram",
      atUs,
      at: new Date(this.#startedAt.getTime() + Math.floor(atUs / 1000)),
      direction,
      peer: this.#formatAddress(peer),
      sizeBytes: bytes.length,
      outcome,
      rssiDbm,
      radioChannel,
      frames: words.frames,
      text: words.text,
      bytes,
    });
  }
}
