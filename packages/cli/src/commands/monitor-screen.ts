import { truncate } from "../render.js";

const CLEAR = "\u001b[H\u001b[2J";
const UP = (lines: number) => `\u001b[${lines}A\r`;
const CLEAR_TO_LINE_END = "\u001b[K";
const CLEAR_BELOW = "\u001b[J";

/**
 * Lines that are drawn over themselves, where the cursor stands: what was on the terminal before
 * stays. Control sequences of ECMA-48 (CUU, CUP, ED, EL), which every terminal knows.
 */
export class Screen {
  #lines = 0;
  #columns = 0;
  #rows = 0;

  /**
   * What to write so that the lines take the place of those drawn last. They must be printable, and
   * no more than `rows - 1`; each is cut at the width.
   */
  draw(lines: readonly string[], columns: number, rows: number): string {
    const isResized = this.#lines > 0 && (columns !== this.#columns || rows !== this.#rows);
    // After a change of size nobody knows how the terminal has wrapped the lines: begin anew.
    const start = isResized ? CLEAR : this.#lines > 0 ? UP(this.#lines) : "";
    this.#lines = lines.length;
    this.#columns = columns;
    this.#rows = rows;
    // The last column stays free: some terminals wrap as soon as it is written to.
    const shown = lines.map((line) => `${truncate(line, columns - 1)}${CLEAR_TO_LINE_END}\n`);
    return `${start}${shown.join("")}${CLEAR_BELOW}`;
  }
}
