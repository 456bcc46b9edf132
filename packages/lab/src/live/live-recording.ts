import { type CapturedDatagram, type CaptureHead, CaptureWriter } from "@fardel/capture";

/** The largest recording that a page keeps in its memory, bytes. What comes after that is counted. */
export const RECORDING_BYTES_MAX = 64 * 1024 * 1024;

/** A recording of what passes over a link, in memory, as pcapng. */
export class LiveRecording {
  readonly #writer: CaptureWriter;
  readonly #pieces: Uint8Array<ArrayBuffer>[] = [];
  readonly #bytesMax: number;
  #bytes = 0;
  #dropped = 0;

  constructor(head: CaptureHead, bytesMax = RECORDING_BYTES_MAX) {
    this.#writer = new CaptureWriter(head);
    this.#bytesMax = bytesMax;
    this.#keep(this.#writer.begin());
  }

  get bytes(): number {
    return this.#bytes;
  }

  /** Datagrams that came when it was full. */
  get dropped(): number {
    return this.#dropped;
  }

  add(datagram: CapturedDatagram): void {
    if (this.#bytes >= this.#bytesMax) {
      this.#dropped++;
      this.#writer.dropped(1);
    } else this.#keep(this.#writer.datagram(datagram));
  }

  /** The whole file. */
  finish(): Blob {
    this.#keep(this.#writer.end());
    return new Blob(this.#pieces, { type: "application/octet-stream" });
  }

  #keep(piece: Uint8Array): void {
    this.#pieces.push(piece.slice());
    this.#bytes += piece.length;
  }
}
