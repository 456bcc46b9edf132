/** Bytes of a line at most: a longer one is cut. */
const LINE_BYTES_MAX = 256;
/** Shorter lines are more likely noise than words. */
const LINE_CHARACTERS_MIN = 3;
/** Share of a line that must be printable; of random bytes 0.37 are. */
const PRINTABLE_SHARE_MIN = 0.75;

const TAB = 0x09;
const LINE_FEED = 0x0a;
const CARRIAGE_RETURN = 0x0d;
const ESCAPE = 0x1b;

/** Where lines go. */
export interface TextHandlers {
  onText?(line: string): void;
}

/**
 * Picks lines of text out of bytes that are no frames. What it hands out is printable ASCII: other
 * bytes, and the colours of boot messages (ECMA-48, control sequences), are left out. Holds one line.
 */
export class GarbageText {
  #line = "";
  #bytes = 0;
  #control: "none" | "escape" | "sequence" = "none";

  push(bytes: Uint8Array, handlers: TextHandlers): void {
    if (!handlers.onText) return;
    for (const byte of bytes) {
      if (byte === LINE_FEED || byte === CARRIAGE_RETURN) this.end(handlers);
      else this.#add(byte);
      if (this.#bytes >= LINE_BYTES_MAX) this.end(handlers);
    }
  }

  /** The line is over. */
  end(handlers: TextHandlers): void {
    const text = this.#line.trim();
    const isText =
      text.length >= LINE_CHARACTERS_MIN && this.#line.length >= PRINTABLE_SHARE_MIN * this.#bytes;
    this.#line = "";
    this.#bytes = 0;
    this.#control = "none";
    if (isText) handlers.onText?.(text);
  }

  #add(byte: number): void {
    if (this.#isControl(byte)) return;
    this.#bytes++;
    if (byte >= 0x20 && byte < 0x7f) this.#line += String.fromCharCode(byte);
    else if (byte === TAB) this.#line += " ";
  }

  /** Whether a byte belongs to a control sequence: ESC, [, parameters, and one final byte. */
  #isControl(byte: number): boolean {
    if (byte === ESCAPE) {
      this.#control = "escape";
      return true;
    }
    if (this.#control === "none") return false;
    if (this.#control === "escape") {
      this.#control = byte === 0x5b ? "sequence" : "none";
      return this.#control === "sequence";
    }
    const isFinal = byte >= 0x40 && byte < 0x7f;
    if (isFinal) this.#control = "none";
    return true;
  }
}
