import type { Recorder } from "./board-endpoint.js";
import {
  ADDRESS_BYTES,
  C,
  concatenated,
  intAt,
  isRead,
  type Piece,
  readPiece,
  TOLD,
  uintAt,
} from "./board-program.js";
import { Datagrams, hashOf, readWord, TYPESCRIPT_ADDRESS, word } from "./conversation-plan.js";
import type { CProgram, Told } from "./support/c-program.js";

/** Calls of the harness and callbacks, and the letters that stand for them. */
const LETTERS: Readonly<Record<string, string>> = {
  endpoint_open: "O",
  endpoint_datagram: "d",
  endpoint_outcome: "o",
  endpoint_poll: "p",
  endpoint_send: "s",
  endpoint_cancel: "a",
  endpoint_resume: "u",
  endpoint_close: "c",
  endpoint_link: "l",
  wait: "w",
  random: "r",
  transmit: "x",
  receive: "m",
  ended: "e",
};
const NAMES = Object.fromEntries(Object.entries(LETTERS).map(([name, letter]) => [letter, name]));

const CALLS: ReadonlySet<string> = new Set(
  Object.entries(LETTERS).flatMap(([name, letter]) =>
    name.startsWith("endpoint") ? [letter] : [],
  ),
);

/**
 * The record of the side in C: a word for each call, with its arguments, and for each callback. Datagrams
 * are named by their places, what is said is kept whole, of what arrives there is a hash.
 */
export function boardRecorder(words: string[], datagrams: Datagrams): Recorder {
  return (what, ints, bytes) => {
    const letter = LETTERS[what] ?? "?";
    const text = word(letter, ...ints);
    const rest = bytes?.subarray(ADDRESS_BYTES) ?? new Uint8Array();
    if (letter === "d" || letter === "x")
      words.push(`${text},${datagrams.placeOf(rest).toString(36)}`);
    else if (letter === "s") words.push(`${text}=${Buffer.from(rest).toString("hex")}`);
    else if (letter === "m") words.push(`${text},${hashOf(bytes ?? rest).toString(36)}`);
    else words.push(text);
  };
}

interface ScriptWord {
  readonly letter: string;
  readonly numbers: readonly number[];
  /** Bytes of what it says. */
  readonly said: Uint8Array;
}

/** Says again to the endpoint in C what it was told. @returns what it does now */
export function replayBoard(program: CProgram, script: string, known: readonly string[]): string {
  return new Replay(program, script, known).run();
}

/**
 * As long as the C code does what it did, a word is written for each one that is read: how many are
 * written says which comes next.
 */
class Replay {
  readonly #script: readonly ScriptWord[];
  readonly #words: string[] = [];
  readonly #said = new Map<number, Uint8Array>();
  readonly #record: Recorder;
  #number = 0;

  constructor(
    readonly program: CProgram,
    script: string,
    readonly known: readonly string[],
  ) {
    this.#script = script.split(" ").map((text) => {
      const [call = "", said = ""] = text.split("=");
      return { ...readWord(call), said: Buffer.from(said, "hex") };
    });
    this.#record = boardRecorder(this.#words, new Datagrams(known));
  }

  run(): string {
    for (let next = this.#next; next && CALLS.has(next.letter); next = this.#next) this.#call(next);
    return this.#words.join(" ");
  }

  get #next(): ScriptWord | undefined {
    return this.#script[this.#words.length];
  }

  /** The word that a callback should be, with what it was answered. */
  #expected(letter: string): readonly number[] {
    const next = this.#next;
    return next?.letter === letter ? next.numbers : [];
  }

  #call({ letter, numbers, said }: ScriptWord): void {
    const name = NAMES[letter] as string;
    const isDatagram = letter === "d";
    const ints = isDatagram ? numbers.slice(0, -1) : numbers;
    const bytes = this.#bytesOf(letter, numbers, said);
    this.#record(name, ints, letter === "s" ? concatenated(TYPESCRIPT_ADDRESS, said) : bytes);
    const all = letter === "O" ? ints : [this.#number, ...ints];
    const result = this.program.call(this.#listen, name, all, bytes);
    if (letter === "O") this.#number = result;
    if (letter === "p") this.#record("wait", [result]);
  }

  #bytesOf(letter: string, numbers: readonly number[], said: Uint8Array): Uint8Array | undefined {
    if (letter === "c") return TYPESCRIPT_ADDRESS;
    if (letter === "d") {
      const datagram = Buffer.from(this.known[numbers.at(-1) ?? 0] ?? "", "hex");
      return concatenated(TYPESCRIPT_ADDRESS, datagram);
    }
    if (letter !== "s") return undefined;
    const [place = 0, , , way = 0] = numbers;
    this.#said.set(place, said);
    return isRead(way) ? TYPESCRIPT_ADDRESS : concatenated(TYPESCRIPT_ADDRESS, said);
  }

  readonly #listen: Told = (what, value, bytes) => {
    switch (what) {
      case TOLD.transmit:
        this.#record("transmit", [value], bytes);
        return 0;
      case TOLD.random: {
        const [drawn = 0] = this.#expected("r");
        this.#record("random", [drawn]);
        return drawn;
      }
      case TOLD.receive:
        return this.#receive(readPiece(bytes));
      case TOLD.ended:
        this.#record("ended", [value, intAt(bytes, 0)]);
        return 0;
      case TOLD.read: {
        const offset = uintAt(bytes, 0);
        return this.#said.get(value)?.subarray(offset, offset + uintAt(bytes, 4)) ?? 0;
      }
      default:
        return 0;
    }
  };

  #receive({ part, bytes }: Piece): number {
    if (part & C.broken) return 0;
    const [, answer = 0] = this.#expected("m");
    this.#record("receive", [part, answer], bytes);
    // What the application sent from within the callback.
    for (let next = this.#next; next?.letter === "s"; next = this.#next) this.#call(next);
    return answer;
  }
}
