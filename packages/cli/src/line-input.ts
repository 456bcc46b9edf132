/** Longer lines are cut there: what is asked for is a word or a code. */
export const LINE_CHARACTERS_MAX = 256;

/** Lines of the input, one when it is asked for. What is not asked for stays unread. */
export class LineInput {
  readonly #iterator: AsyncIterator<Uint8Array>;
  readonly #decoder = new TextDecoder();
  #text = "";
  #isOver = false;
  /** One that was given up goes on: what it brings belongs to the next line. */
  #reading: Promise<void> | undefined;

  constructor(input: AsyncIterable<Uint8Array>) {
    this.#iterator = input[Symbol.asyncIterator]();
  }

  /** What has come and was not asked for yet: of a line without end its beginning, and the piece that came last. */
  get heldCharacters(): number {
    return this.#text.length;
  }

  /**
   * The next line, without its end.
   * @returns `undefined`: the input has ended, or cannot be read
   * @throws `AbortError` as soon as a signal is aborted
   */
  async next(signal: AbortSignal): Promise<string | undefined> {
    for (;;) {
      if (signal.aborted) throw given();
      const line = this.#takeLine();
      if (line !== undefined || this.#isOver) return line;
      this.#reading ??= this.#read();
      await unless(this.#reading, signal);
    }
  }

  #takeLine(): string | undefined {
    const end = this.#text.search(/\r?\n/);
    const isLast = end < 0 && this.#isOver && this.#text !== "";
    if (end < 0 && !isLast) return undefined;
    const line = end < 0 ? this.#text : this.#text.slice(0, end);
    this.#text = end < 0 ? "" : this.#text.slice(this.#text.indexOf("\n", end) + 1);
    return line.slice(0, LINE_CHARACTERS_MAX);
  }

  async #read(): Promise<void> {
    try {
      const { done, value } = await this.#iterator.next();
      if (done) this.#isOver = true;
      else this.#add(this.#decoder.decode(value, { stream: true }));
    } catch {
      this.#isOver = true;
    } finally {
      this.#reading = undefined;
    }
  }

  /** Of a line that has no end, only its beginning is kept. */
  #add(text: string): void {
    const isCut = !this.#text.includes("\n") && this.#text.length > LINE_CHARACTERS_MAX;
    this.#text = isCut
      ? this.#text.slice(0, LINE_CHARACTERS_MAX + 1) + afterCut(text)
      : this.#text + text;
  }
}

/** What follows the end of a line that was cut. */
function afterCut(text: string): string {
  const end = text.indexOf("\n");
  return end < 0 ? "" : text.slice(end);
}

async function unless(promise: Promise<void>, signal: AbortSignal): Promise<void> {
  let onAbort = () => {};
  const aborted = new Promise<never>((_, reject) => {
    onAbort = () => reject(given());
    signal.addEventListener("abort", onAbort);
  });
  try {
    await Promise.race([promise, aborted]);
  } finally {
    signal.removeEventListener("abort", onAbort);
  }
}

function given(): DOMException {
  return new DOMException("Ended before a line came.", "AbortError");
}
