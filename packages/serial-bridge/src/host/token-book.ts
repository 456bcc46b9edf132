import { STATUS_AFTER_US } from "../limits.js";
import type { Handover } from "./host-events.js";

interface Entry {
  readonly handover: Handover;
  readonly lineUs: number;
}

/** Distance from `b` forward to `a`, modulo 256. */
function distance(a: number, b: number): number {
  return (a - b) & 0xff;
}

/**
 * The tokens that are outstanding, oldest first. At most 64, so numbers of 8 bits never meet
 * themselves again. @see BRIDGE.md, section 7
 */
export class TokenBook {
  /** In the order of hand-over: that of the map. */
  readonly #entries = new Map<number, Entry>();
  #next = 0;
  #lineUs = 0;
  /** Since when the oldest one is the oldest, or was asked for in vain. */
  #waitingSinceUs = 0;

  get size(): number {
    return this.#entries.size;
  }

  /**
   * Whether one more may be given out: none is `queue` or more after the oldest outstanding one, so
   * that the answer to STATUS? tells of all of them.
   */
  hasRoom(queue: number): boolean {
    const [oldest] = this.#entries.keys();
    return oldest === undefined || distance(this.#next, oldest) < queue;
  }

  /** When to ask for outcomes that stay away. */
  get questionUs(): number {
    if (this.size === 0) return Number.POSITIVE_INFINITY;
    return this.#waitingSinceUs + STATUS_AFTER_US + 2 * this.#lineUs;
  }

  /** Time that the line needs for all of them. */
  get lineUs(): number {
    return this.#lineUs;
  }

  /** @param lineUs - time that its frame keeps the line busy */
  issue(handover: Handover, lineUs: number, nowUs: number): number {
    const token = this.#next;
    if (this.size === 0) this.#waitingSinceUs = nowUs;
    this.#entries.set(token, { handover, lineUs });
    this.#lineUs += lineUs;
    this.#next = (token + 1) & 0xff;
    return token;
  }

  /** Whether a bridge that expects this token next can be in step with this book. */
  isInStep(nextToken: number): boolean {
    const lag = distance(this.#next, nextToken);
    if (lag > this.size) return false;
    for (let back = 1; back <= lag; back++) {
      if (!this.#entries.has((this.#next - back) & 0xff)) return false;
    }
    return true;
  }

  /**
   * A token that a STATUS tells of is through.
   * @returns what it stood for; `undefined` if that is known already
   */
  finish(token: number, nextToken: number, nowUs: number): Handover | undefined {
    // The bridge cannot know of tokens from nextToken on: what it says of them is damage.
    if (distance(this.#next, token) <= distance(this.#next, nextToken)) return undefined;
    const entry = this.#entries.get(token);
    if (!entry) return undefined;
    const [oldest] = this.#entries.keys();
    if (token === oldest) this.#waitingSinceUs = nowUs;
    this.#remove(token, entry);
    return entry.handover;
  }

  /**
   * The answer to STATUS? is in: what was given out from `nextToken` on never reached the bridge, and
   * is given out again.
   */
  takeLost(nextToken: number, nowUs: number): Handover[] {
    this.#waitingSinceUs = nowUs;
    const lost: Handover[] = [];
    for (let token = nextToken; token !== this.#next; token = (token + 1) & 0xff) {
      const entry = this.#entries.get(token);
      if (!entry) continue;
      this.#remove(token, entry);
      lost.push(entry.handover);
    }
    this.#next = nextToken;
    return lost;
  }

  /** Everything outstanding, and a fresh book. */
  clear(): Handover[] {
    const all = Array.from(this.#entries.values(), ({ handover }) => handover);
    this.#entries.clear();
    this.#next = 0;
    this.#lineUs = 0;
    return all;
  }

  #remove(token: number, entry: Entry): void {
    this.#entries.delete(token);
    this.#lineUs = this.size === 0 ? 0 : this.#lineUs - entry.lineUs;
  }
}
