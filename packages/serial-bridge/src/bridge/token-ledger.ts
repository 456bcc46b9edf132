import type { TokenOutcome } from "../bridge-frames.js";
import { UNASKED_OUTCOMES_MAX } from "../limits.js";

/** A token and what became of it. */
export interface FinishedToken {
  readonly token: number;
  readonly outcome: TokenOutcome;
}

/** What has come of a token that the host has used. */
export interface TakenToken {
  /**
   * Counts the tokens of a session, modulo 2^32, and so does not come round like the token, which
   * is its low byte: what finishes late can never be taken for another one.
   */
  readonly number: number;
  /** Tokens before it that were lost on the line; they are finished now. */
  readonly lost: number;
}

/**
 * Which tokens have come, and what became of the last ones: as many as the queue has places. A host
 * that keeps the rules never asks for more.
 *
 * @see BRIDGE.md, sections 5.4 and 7
 */
export class TokenLedger {
  readonly #queue: number;
  /** What became of the last tokens, each at its place; `undefined`: not finished. */
  readonly #outcomes: (TokenOutcome | undefined)[];
  /** Numbers of those of them that are finished, in the order in which they finished. */
  readonly #finished: number[] = [];
  /** Of these, so many at the end have not been in any STATUS yet. */
  #untold = 0;
  #next = 0;
  /** Where the outcome of the next token goes: that of the oldest one makes room. */
  #nextPlace = 0;

  /** @param queue - places for datagrams, 1 to 64 */
  constructor(queue: number) {
    this.#queue = queue;
    this.#outcomes = new Array<TokenOutcome | undefined>(queue).fill(undefined);
  }

  /** The token expected next. */
  get nextToken(): number {
    return this.#next & 0xff;
  }

  /** Whether there is something to tell the host without being asked. */
  get hasUntold(): boolean {
    return this.#untold > 0;
  }

  /** A session begins. */
  reset(): void {
    this.#outcomes.fill(undefined);
    this.#finished.length = 0;
    this.#untold = 0;
    this.#next = 0;
    this.#nextPlace = 0;
  }

  /**
   * A datagram has come with this token: those left out before it were lost on the line.
   * @returns `undefined` for a token that the host cannot have meant; nothing has changed then
   */
  take(token: number): TakenToken | undefined {
    const lost = (token - this.#next) & 0xff;
    if (lost > this.#queue) return undefined;
    for (let count = 0; count < lost; count++) this.finish(this.#issue(), "lost-on-line");
    return { number: this.#issue(), lost };
  }

  /** What became of a token. One that is no longer among the last ones is of no interest any more. */
  finish(number: number, outcome: TokenOutcome): void {
    const place = this.#placeOf(number);
    if (place === undefined || this.#outcomes[place] !== undefined) return;
    this.#outcomes[place] = outcome;
    this.#finished.push(number);
    this.#untold++;
  }

  /** For an answer to STATUS?: all that are finished among the last ones, the last finished first. */
  tellAll(): FinishedToken[] {
    this.#untold = 0;
    return this.#tell(0, this.#finished.length);
  }

  /**
   * For a STATUS that nobody asked for: the oldest that was not told yet and up to three behind it;
   * if there are fewer, some that were told already. The last finished first.
   */
  tellNext(): FinishedToken[] {
    const fresh = Math.min(this.#untold, UNASKED_OUTCOMES_MAX);
    const end = this.#finished.length - this.#untold + fresh;
    this.#untold -= fresh;
    return this.#tell(Math.max(0, end - UNASKED_OUTCOMES_MAX), end);
  }

  #tell(from: number, end: number): FinishedToken[] {
    const told: FinishedToken[] = [];
    for (let index = end - 1; index >= from; index--) {
      const number = this.#finished[index]!;
      const place = this.#placeOf(number)!;
      told.push({ token: number & 0xff, outcome: this.#outcomes[place]! });
    }
    return told;
  }

  /** The next token is used: the oldest one is forgotten, whether or not it is finished. */
  #issue(): number {
    const place = this.#nextPlace;
    if (this.#outcomes[place] !== undefined) this.#forget((this.#next - this.#queue) >>> 0);
    this.#outcomes[place] = undefined;
    this.#nextPlace = (place + 1) % this.#queue;
    const number = this.#next;
    this.#next = (number + 1) >>> 0;
    return number;
  }

  #forget(number: number): void {
    const index = this.#finished.indexOf(number);
    if (index >= this.#finished.length - this.#untold) this.#untold--;
    this.#finished.splice(index, 1);
  }

  /** Place of one of the last tokens. */
  #placeOf(number: number): number | undefined {
    const back = (this.#next - number) >>> 0;
    if (back < 1 || back > this.#queue) return undefined;
    return (this.#nextPlace - back + this.#queue) % this.#queue;
  }
}
