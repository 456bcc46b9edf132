import { updateCrc32 } from "../wire/crc32.js";
import type { DataFrame } from "../wire/data-frame.js";
import { serialAdd, serialDistance } from "../wire/serial-number.js";
import type { Budget } from "./budget.js";
import { type Acceptance, HOLDING_BYTES } from "./config.js";

/** A fragment that arrived before an earlier one. */
export interface Waiting {
  readonly first: boolean;
  readonly last: boolean;
  readonly total: number;
  readonly crc32: number;
  /** The owner's word on its message, asked when the first fragment came. */
  readonly acceptance: Acceptance;
  /** Its bytes; `undefined` once its message was delivered ahead of its turn. */
  bytes: Uint8Array | undefined;
}

/** A message that lies complete beyond the first missing fragment. */
export interface WaitingRun {
  readonly firstFragment: number;
  readonly lastFragment: number;
  readonly acceptance: Acceptance;
  readonly bytes: Uint8Array;
  readonly isSound: boolean;
}

/**
 * Fragments of one channel beyond the first missing one. What is in here has been acknowledged, so
 * it is never dropped for lack of room, only when its message is void.
 */
export class ReorderBuffer {
  readonly #waiting = new Map<number, Waiting>();

  /** @param budget - counts what waits; separate from whole messages, so these always find room in the end */
  constructor(readonly budget: Budget) {}

  get isEmpty(): boolean {
    return this.#waiting.size === 0;
  }

  get(fragment: number): Waiting | undefined {
    return this.#waiting.get(fragment);
  }

  /** Keep a copy. @returns false if there is no room. */
  keep(frame: DataFrame, acceptance: Acceptance): boolean {
    if (!this.budget.take(frame.bytes.length + HOLDING_BYTES)) return false;
    const { first, last, total, crc32 } = frame;
    this.#waiting.set(frame.fragment, {
      first,
      last,
      total,
      crc32,
      acceptance,
      bytes: frame.bytes.slice(),
    });
    return true;
  }

  /** Remember a number whose message has been delivered already. */
  markDelivered(fragment: number): void {
    this.#waiting.set(fragment, {
      first: true,
      last: true,
      total: 0,
      crc32: 0,
      acceptance: "whole",
      bytes: undefined,
    });
  }

  forget(fragment: number): void {
    const waiting = this.#waiting.get(fragment);
    if (!waiting) return;
    if (waiting.bytes) this.budget.give(waiting.bytes.length + HOLDING_BYTES);
    this.#waiting.delete(fragment);
  }

  clear(): void {
    for (const fragment of [...this.#waiting.keys()]) this.forget(fragment);
  }

  /** The message around `fragment`, if all of it waits here. */
  findRun(fragment: number): WaitingRun | undefined {
    let first = fragment;
    for (let at = this.get(first); !at?.first; at = this.get(first)) {
      if (!at?.bytes) return undefined;
      first = serialAdd(first, -1);
    }
    const pieces: Waiting[] = [];
    for (let number = first; ; number = serialAdd(number, 1)) {
      const at = this.get(number);
      if (!at?.bytes || (at.first && number !== first)) return undefined;
      pieces.push(at);
      if (at.last) return run(first, number, pieces);
    }
  }

  /** Whether the rest of a message waits here without a gap, from this fragment on. */
  reachesEnd(fragment: number): boolean {
    for (let number = fragment; ; number = serialAdd(number, 1)) {
      const at = this.get(number);
      if (!at?.bytes) return false;
      if (at.last) return true;
    }
  }

  /** The run's message has been handed over: its numbers stay, its bytes go. */
  markRunDelivered(found: WaitingRun): void {
    const end = serialAdd(found.lastFragment, 1);
    for (let number = found.firstFragment; number !== end; number = serialAdd(number, 1)) {
      this.forget(number);
      this.markDelivered(number);
    }
  }

  /**
   * Map of what waits beyond `next`, most significant bit first; PROTOCOL.md, section 3.3.
   * @returns bytes used; trailing zero bytes are left off
   */
  writeMap(next: number, map: Uint8Array): number {
    if (this.#waiting.size === 0) return 0;
    map.fill(0);
    let used = 0;
    for (const fragment of this.#waiting.keys()) {
      const bit = serialDistance(next, fragment) - 1;
      if (bit < 0 || bit >= map.length * 8) continue;
      const at = bit >>> 3;
      map[at] = (map[at] as number) | (0x80 >>> (bit & 7));
      used = Math.max(used, at + 1);
    }
    return used;
  }
}

function run(firstFragment: number, lastFragment: number, pieces: readonly Waiting[]): WaitingRun {
  const head = pieces[0] as Waiting;
  const bytes = concatenate(pieces.map((piece) => piece.bytes as Uint8Array));
  const isWhole = head.total === 0 || head.total === bytes.length;
  const crc32 = (pieces[pieces.length - 1] as Waiting).crc32;
  const isSound = isWhole && (head.last || updateCrc32(0, bytes) === crc32);
  return { firstFragment, lastFragment, acceptance: head.acceptance, bytes, isSound };
}

export function concatenate(pieces: readonly Uint8Array[]): Uint8Array {
  const whole = new Uint8Array(pieces.reduce((sum, piece) => sum + piece.length, 0));
  let at = 0;
  for (const piece of pieces) {
    whole.set(piece, at);
    at += piece.length;
  }
  return whole;
}
