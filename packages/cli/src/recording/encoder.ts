import { CaptureWriter } from "@fardel/capture";
import { captured } from "./captured.js";
import {
  encodeDatagram,
  encodeHead,
  encodeLoss,
  type RecordedDatagram,
  type RecordedLoss,
  type RecordingHead,
} from "./format.js";

/** A format of recordings: gives the bytes of the file, piece by piece. */
export interface RecordingEncoder {
  begin(): Uint8Array;
  /** Bytes that it takes at most. */
  sizeOf(datagram: RecordedDatagram): number;
  datagram(datagram: RecordedDatagram): Uint8Array;
  /** Datagrams were left out. May give nothing: then it goes with the next piece. */
  hole(loss: RecordedLoss): Uint8Array;
  end(): Uint8Array;
  /** Bytes that a hole and the end take at most. */
  readonly endBytes: number;
}

const SUFFIX_CAPTURE = ".pcapng";

/** pcapng if the name of the file ends so, else lines of JSON. */
export function encoderFor(path: string, head: RecordingHead): RecordingEncoder {
  return isCaptureName(path) ? new CaptureEncoder(head) : new LinesEncoder(head);
}

export function isCaptureName(path: string): boolean {
  return path.toLowerCase().endsWith(SUFFIX_CAPTURE);
}

/** Pseudo-header, block and its options: CAPTURE.md, without comments. */
const CAPTURE_AROUND_BYTES = 400;
const NOTHING = new Uint8Array(0);

/** TRACE.md, "The file". */
export class LinesEncoder implements RecordingEncoder {
  readonly endBytes = 64;
  /** What was measured is written next, as a rule. */
  #measured: { readonly datagram: RecordedDatagram; readonly line: Uint8Array } | undefined;

  constructor(readonly head: RecordingHead) {}

  begin(): Uint8Array {
    return Buffer.from(encodeHead(this.head));
  }

  sizeOf(datagram: RecordedDatagram): number {
    const line = this.#line(datagram);
    this.#measured = { datagram, line };
    return line.length;
  }

  datagram(datagram: RecordedDatagram): Uint8Array {
    const line = this.#line(datagram);
    this.#measured = undefined;
    return line;
  }

  #line(datagram: RecordedDatagram): Uint8Array {
    return this.#measured?.datagram === datagram
      ? this.#measured.line
      : Buffer.from(encodeDatagram(datagram));
  }

  hole(loss: RecordedLoss): Uint8Array {
    return Buffer.from(encodeLoss(loss));
  }

  end(): Uint8Array {
    return NOTHING;
  }
}

/** CAPTURE.md of `@fardel/capture`. */
class CaptureEncoder implements RecordingEncoder {
  readonly endBytes = 96;
  readonly #writer: CaptureWriter;

  constructor(readonly head: RecordingHead) {
    this.#writer = new CaptureWriter(head);
  }

  begin(): Uint8Array {
    return this.#writer.begin();
  }

  sizeOf({ bytes }: RecordedDatagram): number {
    return bytes.length + CAPTURE_AROUND_BYTES;
  }

  datagram(datagram: RecordedDatagram): Uint8Array {
    return this.#writer.datagram(captured(datagram, this.head.localAddress));
  }

  hole({ dropped }: RecordedLoss): Uint8Array {
    this.#writer.dropped(dropped);
    return NOTHING;
  }

  end(): Uint8Array {
    return this.#writer.end();
  }
}
