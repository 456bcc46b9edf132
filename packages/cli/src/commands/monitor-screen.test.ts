import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Screen } from "./monitor-screen.js";

const ESCAPE = "\u001b";

/** As much of a terminal (ECMA-48) as the screen makes use of. */
class Terminal {
  lines: string[] = [];
  #row = 0;
  #column = 0;

  constructor(
    public columns: number,
    public rows: number,
  ) {}

  write(text: string): void {
    // Without the escape character the rest of a sequence begins with a bracket.
    const [plain = "", ...sequences] = text.split(ESCAPE);
    for (const character of plain) this.#take(character);
    for (const sequence of sequences) {
      const end = sequence.search(/[A-Za-z]/) + 1;
      this.#take(ESCAPE + sequence.slice(0, end));
      for (const character of sequence.slice(end)) this.#take(character);
    }
  }

  #take(token: string): void {
    const line = this.lines[this.#row] ?? "";
    if (token === "\n") {
      this.#row++;
      this.#column = 0;
      if (this.#row >= this.rows) {
        this.lines.shift();
        this.#row--;
      }
    } else if (token === "\r") this.#column = 0;
    else if (token === "\u001b[H") {
      this.#row = 0;
      this.#column = 0;
    } else if (token === "\u001b[2J") this.lines = [];
    else if (token === "\u001b[J") {
      this.lines.length = Math.min(this.lines.length, this.#row + 1);
      this.lines[this.#row] = line.slice(0, this.#column);
    } else if (token === "\u001b[K") this.lines[this.#row] = line.slice(0, this.#column);
    else if (token.startsWith("\u001b[") && token.endsWith("A")) {
      this.#row = Math.max(0, this.#row - Number(token.slice(2, -1)));
    } else if (token.startsWith("\u001b")) throw new Error(`unknown: ${JSON.stringify(token)}`);
    else this.#put(token);
  }

  #put(character: string): void {
    if (this.#column >= this.columns) throw new Error("a line has wrapped");
    const line = (this.lines[this.#row] ?? "").padEnd(this.#column);
    this.lines[this.#row] = line.slice(0, this.#column) + character + line.slice(this.#column + 1);
    this.#column++;
  }

  get text(): string[] {
    const lines = Array.from(this.lines, (line) => (line ?? "").trimEnd());
    while (lines.at(-1) === "") lines.pop();
    return lines;
  }
}

const anyLines = fc.array(
  fc.string({ minLength: 1, maxLength: 40 }).map((line) => `${line}.`),
  {
    minLength: 1,
    maxLength: 9,
  },
);

describe("Screen", () => {
  it("puts the lines in the place of those before, below what was there already", () => {
    fc.assert(
      fc.property(fc.array(anyLines, { minLength: 1, maxLength: 6 }), (drawings) => {
        const terminal = new Terminal(80, 24);
        terminal.write("$ fardel monitor\n");
        const screen = new Screen();
        for (const lines of drawings) {
          terminal.write(screen.draw(lines, 80, 24));
          expect(terminal.text).toEqual(["$ fardel monitor", ...lines]);
        }
      }),
    );
  });

  it("stays in place at the bottom of a terminal", () => {
    fc.assert(
      fc.property(fc.array(anyLines, { minLength: 1, maxLength: 6 }), (drawings) => {
        const terminal = new Terminal(80, 10);
        terminal.write("\n".repeat(20));
        const screen = new Screen();
        for (const lines of drawings) {
          terminal.write(screen.draw(lines, 80, 10));
          expect(terminal.text.slice(-lines.length)).toEqual(lines);
          expect(terminal.text.filter((line) => line !== "")).toEqual(lines);
        }
      }),
    );
  });

  it("cuts lines at the width", () => {
    const terminal = new Terminal(20, 10);
    terminal.write(new Screen().draw(["x".repeat(50)], 20, 10));
    expect(terminal.text).toEqual([`${"x".repeat(18)}…`]);
  });

  it("begins anew on a cleared terminal when that was resized", () => {
    const screen = new Screen();
    screen.draw(["a", "b"], 80, 24);
    expect(screen.draw(["a"], 79, 24).startsWith("\u001b[H\u001b[2J")).toBe(true);
    expect(screen.draw(["a"], 79, 24)).not.toContain("\u001b[2J");
    expect(screen.draw(["a"], 79, 12)).toContain("\u001b[2J");
  });
});
