import { CRC16_GOOD, CRC16_START, updateCrc16 } from "@fardel/core/wire";
import { CRC_BYTES, type Framing, STUFFINGS, type Stuffing } from "./framing.js";
import { GarbageText } from "./garbage-text.js";

export type { Framing } from "./framing.js";

/** What a {@link FrameReader} has met. */
export interface FrameReaderCounts {
  good: number;
  /** Cannot be unstuffed, too short, or a wrong CRC; noise included. */
  damaged: number;
  /** Longer than the longest frame: dropped up to the next delimiter. */
  tooLong: number;
}

/** What a {@link FrameReader} hands out. */
export interface FrameHandlers {
  /** The body of a good frame, at least one byte: the reader's own, valid during the call only. */
  onFrame(body: Uint8Array): void;
  /** A line of text that was no frame, for instance a boot message: printable ASCII. */
  onText?(line: string): void;
}

/**
 * Finds frames in a stream of bytes. Holds one frame and one line of text at most, whatever comes,
 * and looks at each byte a fixed number of times.
 *
 * @see BRIDGE.md, section 2
 */
export class FrameReader {
  readonly counts: FrameReaderCounts = { good: 0, damaged: 0, tooLong: 0 };
  readonly #stuffing: Stuffing;
  readonly #seedFor: (type: number) => Uint8Array | undefined;
  readonly #text = new GarbageText();
  #bodyBytesMax = 0;
  /** What has come since the last delimiter: the first `#length` bytes. */
  #stuffed = new Uint8Array(0);
  #length = 0;
  #plain = new Uint8Array(0);
  /** Too long already: text at best, until the next delimiter. */
  #skipping = false;

  /**
   * @param bodyBytesMax - longest body
   * @param seedFor - implied address that enters the CRC of a frame of this type, if any
   */
  constructor(
    framing: Framing,
    bodyBytesMax: number,
    seedFor: (type: number) => Uint8Array | undefined = () => undefined,
  ) {
    this.#stuffing = STUFFINGS[framing];
    this.#seedFor = seedFor;
    this.bodyBytesMax = bodyBytesMax;
  }

  get bodyBytesMax(): number {
    return this.#bodyBytesMax;
  }

  /** Takes effect at once: a frame under way is judged by the new value. May be set in a handler. */
  set bodyBytesMax(bodyBytesMax: number) {
    const room = this.#stuffing.bytesMax(bodyBytesMax + CRC_BYTES);
    const stuffed = new Uint8Array(room);
    if (this.#length > room) {
      this.#length = 0;
      this.#skipping = true;
    }
    stuffed.set(this.#stuffed.subarray(0, this.#length));
    this.#bodyBytesMax = bodyBytesMax;
    this.#stuffed = stuffed;
    this.#plain = new Uint8Array(room);
  }

  /** Bytes from the line, cut anywhere. */
  push(bytes: Uint8Array, handlers: FrameHandlers): void {
    const { delimiter } = this.#stuffing;
    let at = 0;
    while (at < bytes.length) {
      const delimiterAt = bytes.indexOf(delimiter, at);
      const end = delimiterAt < 0 ? bytes.length : delimiterAt;
      if (end > at) this.#collect(bytes.subarray(at, end), handlers);
      if (delimiterAt >= 0) this.#endFrame(handlers);
      at = end + 1;
    }
  }

  /** Nothing more comes: what no delimiter has ended is dropped, and offered as text. */
  end(handlers: Pick<FrameHandlers, "onText">): void {
    this.#text.push(this.#stuffed.subarray(0, this.#length), handlers);
    this.#text.end(handlers);
    this.#length = 0;
    this.#skipping = false;
  }

  #collect(bytes: Uint8Array, handlers: FrameHandlers): void {
    if (!this.#skipping && this.#length + bytes.length > this.#stuffed.length) {
      this.#skipping = true;
      this.#text.push(this.#stuffed.subarray(0, this.#length), handlers);
      this.#length = 0;
    }
    if (this.#skipping) {
      this.#text.push(bytes, handlers);
      return;
    }
    this.#stuffed.set(bytes, this.#length);
    this.#length += bytes.length;
  }

  #endFrame(handlers: FrameHandlers): void {
    const length = this.#length;
    const isTooLong = this.#skipping;
    // Before any handler runs: it may throw, or change what is the longest.
    this.#length = 0;
    this.#skipping = false;
    if (isTooLong) {
      this.counts.tooLong++;
      this.#text.end(handlers);
    } else if (length > 0) {
      this.#judge(this.#stuffed.subarray(0, length), handlers);
    }
  }

  #judge(stuffed: Uint8Array, handlers: FrameHandlers): void {
    const plain = this.#plain;
    const bodyBytes = this.#stuffing.decode(stuffed, 0, stuffed.length, plain, 0) - CRC_BYTES;
    if (bodyBytes > this.#bodyBytesMax) {
      this.counts.tooLong++;
    } else if (bodyBytes >= 1 && this.#hasGoodCrc(plain, bodyBytes + CRC_BYTES)) {
      this.counts.good++;
      handlers.onFrame(plain.subarray(0, bodyBytes));
      return;
    } else {
      this.counts.damaged++;
    }
    this.#text.push(stuffed, handlers);
    this.#text.end(handlers);
  }

  #hasGoodCrc(plain: Uint8Array, length: number): boolean {
    const seed = this.#seedFor(plain[0]!);
    const start = seed ? updateCrc16(CRC16_START, seed, 0, seed.length) : CRC16_START;
    return updateCrc16(start, plain, 0, length) === CRC16_GOOD;
  }
}
