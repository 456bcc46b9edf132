/** How often CHANNEL? and STATISTICS? are asked. @see BRIDGE.md, section 12 */
export const QUESTION_TIMES_MAX = 5;

/** Numbers of questions: 1 to 255, one after the other. */
export class RequestNumbers {
  #last = 0;

  next(): number {
    this.#last = (this.#last % 255) + 1;
    return this.#last;
  }
}

/**
 * One question at a time: asked, repeated under its number, answered or given up. An answer to a
 * question that is over is none. @see BRIDGE.md, sections 7 and 10
 */
export class Question {
  #request = 0;
  #isDue = false;
  /** Written once at least: before that there can be no answer. */
  #wasAsked = false;
  #timesLeft = 0;
  #repeatUs = Number.POSITIVE_INFINITY;

  constructor(
    readonly numbers: RequestNumbers,
    /** How often it is asked before it is given up. */
    readonly timesMax: number,
  ) {}

  get isPending(): boolean {
    return this.#request !== 0;
  }

  /** When {@link Question.handleTimeout} has something to do. */
  get timeoutUs(): number {
    return this.#repeatUs;
  }

  begin(): void {
    this.#request = this.numbers.next();
    this.#isDue = true;
    this.#wasAsked = false;
    this.#timesLeft = this.timesMax;
    this.#repeatUs = Number.POSITIVE_INFINITY;
  }

  /**
   * Whether to ask now, and under which number.
   * @param patienceUs - time after which it is asked again
   */
  poll(nowUs: number, patienceUs: number): number | undefined {
    if (!this.#isDue) return undefined;
    this.#isDue = false;
    this.#wasAsked = true;
    this.#timesLeft--;
    this.#repeatUs = nowUs + patienceUs;
    return this.#request;
  }

  /** @returns what became of it, if anything did */
  handleTimeout(nowUs: number): "asked-again" | "given-up" | undefined {
    if (nowUs < this.#repeatUs) return undefined;
    if (this.#timesLeft <= 0) {
      this.end();
      return "given-up";
    }
    this.#isDue = true;
    this.#repeatUs = Number.POSITIVE_INFINITY;
    return "asked-again";
  }

  /** @returns whether this is the answer that was waited for; the question is then over */
  answer(request: number): boolean {
    if (!this.isPending || request !== this.#request || !this.#wasAsked) return false;
    this.end();
    return true;
  }

  end(): void {
    this.#request = 0;
    this.#isDue = false;
    this.#repeatUs = Number.POSITIVE_INFINITY;
  }
}
