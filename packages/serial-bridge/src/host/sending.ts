import type { BridgeFrame, HostFrame, TokenOutcome } from "../bridge-frames.js";
import { AGAIN_MAX, STATUS_AFTER_US } from "../limits.js";
import type { Handover } from "./host-events.js";
import { sameBytes } from "./same-bytes.js";
import { TokenBook } from "./token-book.js";

/** A datagram that is through, and what the bridge says of it. */
export interface Finished {
  readonly handover: Handover;
  readonly outcome: TokenOutcome;
}

type StatusFrame = Extract<BridgeFrame, { type: "status" }>;

/** Bytes of a SEND beside its datagram: type, token, CRC, stuffing, delimiter. For times only. */
const AROUND_BYTES = 6;

/** What the owner has handed over: first it waits for a credit, then it has a token. */
export class Sending {
  readonly #waiting: Handover[] = [];
  readonly #book = new TokenBook();
  readonly #timeOnLine: (bytes: number) => number;
  /** Where the last datagram went, and how many went there since without saying so. */
  #impliedTo: Uint8Array | undefined;
  #impliedCount = 0;

  /** @param timeOnLine - microseconds that so many bytes need; 0 where it is not known */
  constructor(timeOnLine: (bytes: number) => number) {
    this.#timeOnLine = timeOnLine;
  }

  /** Datagrams at the bridge or on the way to it. */
  get outstanding(): number {
    return this.#book.size;
  }

  /** When to ask for outcomes that stay away. */
  get questionUs(): number {
    return this.#book.questionUs;
  }

  /** Time that the line needs for what is outstanding. */
  get lineUs(): number {
    return this.#book.lineUs;
  }

  /** How long an unanswered STATUS? waits before it is repeated, microseconds. */
  get patienceUs(): number {
    return STATUS_AFTER_US + 2 * this.#book.lineUs;
  }

  push(handover: Handover): void {
    this.#waiting.push(handover);
  }

  /**
   * @param queue - credits in all: what the bridge holds
   * @param hasPause - whether nothing leaves right before it: the address goes with it then
   */
  poll(queue: number, nowUs: number, hasPause: boolean): HostFrame | undefined {
    if (this.#waiting.length === 0 || !this.#book.hasRoom(queue)) return undefined;
    const handover = this.#waiting.shift()!;
    const { to, datagram } = handover;
    const again = this.#isImplied(to, hasPause);
    const bytes = AROUND_BYTES + datagram.length + (again ? 0 : to.length);
    const token = this.#book.issue(handover, this.#timeOnLine(bytes), nowUs);
    return { type: "send", token, to, datagram, again };
  }

  /**
   * @param isAnswer - to a STATUS? after which nothing was handed over
   * @returns what is through now, oldest first; `undefined` when the bridge is out of step
   */
  handleStatus(status: StatusFrame, isAnswer: boolean, nowUs: number): Finished[] | undefined {
    const { nextToken, outcomes } = status;
    if (!this.#book.isInStep(nextToken)) return undefined;
    const finished: Finished[] = [];
    for (let index = outcomes.length - 1; index >= 0; index--) {
      const { token, outcome } = outcomes[index]!;
      const handover = this.#book.finish(token, nextToken, nowUs);
      if (handover) finished.push({ handover, outcome });
    }
    if (isAnswer) {
      for (const handover of this.#book.takeLost(nextToken, nowUs)) {
        finished.push({ handover, outcome: "lost-on-line" });
      }
    }
    // The address may have been lost with it.
    if (finished.some(({ outcome }) => outcome === "lost-on-line")) this.#impliedTo = undefined;
    return finished;
  }

  /** Everything that has no outcome yet, in the order of hand-over; then begin anew. */
  clear(): Handover[] {
    this.#impliedTo = undefined;
    return [...this.#book.clear(), ...this.#waiting.splice(0)];
  }

  #isImplied(to: Uint8Array, hasPause: boolean): boolean {
    const isSame = this.#impliedTo !== undefined && sameBytes(this.#impliedTo, to);
    // Behind a pause there is time for the address: this one must not be lost with the one before.
    if (isSame && !hasPause && this.#impliedCount < AGAIN_MAX) {
      this.#impliedCount++;
      return true;
    }
    // The owner may write into its array when the datagram is through.
    this.#impliedTo = to.slice();
    this.#impliedCount = 0;
    return false;
  }
}
