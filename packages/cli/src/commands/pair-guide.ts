import type { PairStep } from "@fardel/pairing";
import type { Context, Output } from "../context.js";
import { LineInput } from "../line-input.js";
import { printable, writeJson } from "../output.js";

/** What each step of a pairing means to a person. */
const STEPS: Readonly<Record<PairStep, string>> = {
  offered:
    "Asking the board. Until there is a key, nothing has changed: if this stops, start again.",
  answered: "It has answered.",
  waiting: "Waiting for the person at the board: accept there, too.",
  agreed: "Both have the same key; it is stored here.",
  confirmed: "The board uses it.",
};

/** Talks with the person who pairs: sentences and questions on `err`, lines of JSON on `out` if they are asked for. */
export class PairGuide {
  readonly #output: Output;
  readonly #input: LineInput;
  readonly #isJson: boolean;
  /** Said while a question is open: told after its answer, not in the middle of what a person types. */
  #unsaid: string[] | undefined;

  constructor({ output, input }: Context, isJson: boolean) {
    this.#output = output;
    this.#input = new LineInput(input);
    this.#isJson = isJson;
  }

  get isJson(): boolean {
    return this.#isJson;
  }

  say(sentence: string): void {
    const line = `${printable(sentence)}\n`;
    if (this.#unsaid) this.#unsaid.push(line);
    else this.#output.err(line);
  }

  /** For programs. */
  note(object: Readonly<Record<string, unknown>>): void {
    if (this.#isJson) writeJson(this.#output, object);
  }

  step(step: PairStep): void {
    this.note({ type: "step", step });
    this.say(STEPS[step]);
  }

  /** @returns `undefined`: the input has ended */
  async ask(question: string, signal: AbortSignal): Promise<string | undefined> {
    this.#output.err(`${printable(question)} `);
    this.#unsaid = [];
    try {
      return (await this.line(signal))?.trim();
    } finally {
      // What a person types ends with a new line on the terminal; what comes from elsewhere is not seen.
      if (!this.#output.isTerminal || signal.aborted) this.#output.err("\n");
      for (const line of this.#unsaid) this.#output.err(line);
      this.#unsaid = undefined;
    }
  }

  /** Anything but yes is no; so is the end of the input. */
  async confirm(question: string, signal: AbortSignal): Promise<boolean> {
    const answer = await this.ask(`${question} Type yes or no:`, signal);
    return /^y(?:es)?$/i.test(answer ?? "");
  }

  /** A line of the input, without a question. */
  line(signal: AbortSignal): Promise<string | undefined> {
    return this.#input.next(signal);
  }
}
