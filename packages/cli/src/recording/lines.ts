/** A line of a file, or what is wrong with it. */
export interface Line {
  /** From 1. */
  readonly number: number;
  /** Without its end; `undefined` if it is too long or not UTF-8. */
  readonly text: string | undefined;
  /** Set when there is no text. */
  readonly fault?: string;
  /** Whether a line end follows: missing at the last line of a file that was cut. */
  readonly isEnded: boolean;
}

const LINE_FEED = 0x0a;

/**
 * Cuts a stream of bytes into lines, at LF or CR LF. At most `bytesMax` bytes of a line are held; a
 * longer one is passed over to its end, whatever its length.
 */
export async function* linesOf(
  input: AsyncIterable<Uint8Array>,
  bytesMax: number,
): AsyncGenerator<Line, void, undefined> {
  const line = new LineBuffer(bytesMax);
  for await (const piece of input) {
    let from = 0;
    for (;;) {
      const end = piece.indexOf(LINE_FEED, from);
      if (end < 0) break;
      line.add(piece.subarray(from, end));
      yield line.take(true);
      from = end + 1;
    }
    line.add(piece.subarray(from));
  }
  if (!line.isEmpty) yield line.take(false);
}

class LineBuffer {
  readonly #decoder = new TextDecoder("utf-8", { fatal: true });
  readonly #bytesMax: number;
  #parts: Uint8Array[] = [];
  #bytes = 0;
  #number = 1;

  constructor(bytesMax: number) {
    this.#bytesMax = bytesMax;
  }

  get isEmpty(): boolean {
    return this.#bytes === 0;
  }

  add(part: Uint8Array): void {
    this.#bytes += part.length;
    if (this.#bytes > this.#bytesMax) this.#parts = [];
    // Copied: the owner of the stream may use its buffer again.
    else if (part.length > 0) this.#parts.push(part.slice());
  }

  take(isEnded: boolean): Line {
    const number = this.#number++;
    const bytes = this.#bytes;
    const parts = this.#parts;
    this.#bytes = 0;
    this.#parts = [];
    if (bytes > this.#bytesMax) {
      const fault = `it is longer than ${this.#bytesMax} bytes`;
      return { number, text: undefined, fault, isEnded };
    }
    try {
      const text = this.#decoder.decode(Buffer.concat(parts, bytes));
      return { number, text: text.endsWith("\r") ? text.slice(0, -1) : text, isEnded };
    } catch {
      return { number, text: undefined, fault: "it is not UTF-8", isEnded };
    }
  }
}
