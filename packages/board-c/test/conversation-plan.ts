import { type Impairments, Random } from "@fardel/lossy-link";
import type { PRIORITY } from "./board-program.js";

/** Addresses of the two. */
export const TYPESCRIPT_ADDRESS = Uint8Array.of(2, 0, 0, 0, 0, 1);
export const BOARD_ADDRESS = Uint8Array.of(2, 0, 0, 0, 0, 2);

/** After which nothing more is recorded, microseconds. */
export const END_US = 40_000_000;

/** A message of a conversation, or a request. Its bytes follow from its number and length. */
export interface Utterance {
  readonly id: number;
  readonly atUs: number;
  readonly from: "typescript" | "board";
  readonly kind: "message" | "request";
  readonly way: "ordered" | "unordered" | "latest" | "unacknowledged";
  readonly channel: number;
  readonly priority: keyof typeof PRIORITY;
  readonly bytes: number;
  /** 0: none. */
  readonly deadlineMs: number;
}

export interface ConversationPlan {
  readonly seed: number;
  readonly mtuBytes: number;
  readonly impairments: Impairments;
  readonly windows: { readonly typescript: number; readonly board: number };
  readonly linkDepth: number;
  /** Every so many pieces the application on the board is busy; 0: never. */
  readonly busyEvery: number;
  readonly utterances: readonly Utterance[];
  /** When the board's application ends the session; 0: it does not. */
  readonly closeAtUs: number;
}

/** Draws a conversation. */
export function drawConversation(seed: number): ConversationPlan {
  const random = new Random(seed).stream("conversation");
  const pick = <T>(...all: readonly T[]) => all[random.integer(0, all.length - 1)] as T;
  const chance = (share: number) => random.uniform() < share;
  const mtuBytes = pick(20, 21, 32, 48, 64, 64, 102, 250);
  const impairments: Impairments = {
    ...(chance(0.7) && { loss: pick(0.02, 0.1, 0.3) }),
    ...(chance(0.3) && { reordering: { probability: pick(0.05, 0.3), delayUsMax: 200_000 } }),
    ...(chance(0.3) && { duplication: { probability: pick(0.05, 0.3), delayUsMax: 500_000 } }),
    ...(chance(0.3) && { corruption: { probability: pick(0.02, 0.1), bitsMin: 1, bitsMax: 3 } }),
    ...(chance(0.3) && { delayUs: pick(500, 5000, 30_000) }),
  };
  const count = random.integer(1, 7);
  const utterances = Array.from({ length: count }, (_, id): Utterance => {
    const kind = chance(0.25) ? "request" : "message";
    const way = pick("ordered", "ordered", "unordered", "latest", "unacknowledged" as const);
    return {
      ...{ id, kind, way },
      atUs: chance(0.4) ? 1 : random.integer(1, 1_000_000),
      from: pick("typescript", "board"),
      channel: random.integer(0, 3),
      priority: pick("bulk", "normal", "normal", "urgent"),
      bytes: chance(0.2) ? random.integer(100, 300) : random.integer(4, 40),
      deadlineMs: chance(0.2) ? random.integer(1, 2000) : 0,
    };
  });
  return {
    ...{ seed, mtuBytes, impairments },
    windows: { typescript: pick(1, 3, 8, 64), board: pick(1, 2, 8, 32) },
    linkDepth: pick(1, 2, 4),
    busyEvery: chance(0.3) ? random.integer(2, 5) : 0,
    utterances: utterances.sort((one, other) => one.atUs - other.atUs),
    closeAtUs: chance(0.15) ? random.integer(10_000, 2_000_000) : 0,
  };
}

/** Its number, then bytes that follow from it: those of the Fibonacci sequence, modulo 256. */
export function wordsOf(id: number, bytes: number): Uint8Array {
  const words = new Uint8Array(bytes);
  for (let at = 0; at < bytes; at++)
    words[at] = at < 4 ? id >>> (24 - 8 * at) : (words[at - 1] ?? 0) + (words[at - 2] ?? 0) + at;
  return words;
}

/** What a request is answered. */
export function answerTo(request: Uint8Array): Uint8Array {
  return Uint8Array.of(...request.subarray(0, 4), 0xa5, request.length);
}

/** What both sides were told and what they did, as words in their order. */
export interface Conversation {
  readonly seed: number;
  /** All datagrams, in hexadecimal; the scripts name them by their places. */
  readonly datagrams: readonly string[];
  readonly typescript: string;
  readonly board: string;
}

/** The datagrams of a conversation, each once. */
export class Datagrams {
  readonly #places = new Map<string, number>();

  constructor(known: readonly string[] = []) {
    for (const text of known) this.#places.set(text, this.#places.size);
  }

  get all(): readonly string[] {
    return [...this.#places.keys()];
  }

  placeOf(datagram: Uint8Array): number {
    const text = Buffer.from(datagram).toString("hex");
    const place = this.#places.get(text) ?? this.#places.size;
    this.#places.set(text, place);
    return place;
  }
}

/** 32 bits that tell bytes apart: FNV-1a (from memory). */
export function hashOf(bytes: Uint8Array): number {
  let hash = 0x811c9dc5;
  for (const byte of bytes) hash = Math.imul(hash ^ byte, 0x01000193);
  return hash >>> 0;
}

/** A word: a letter, and numbers to base 36. */
export function word(letter: string, ...numbers: readonly number[]): string {
  return `${letter}${numbers.map((each) => each.toString(36)).join(",")}`;
}

export function readWord(text: string): { letter: string; numbers: number[] } {
  const rest = text.slice(1);
  return {
    letter: text.slice(0, 1),
    numbers: rest === "" ? [] : rest.split(",").map((each) => Number.parseInt(each, 36)),
  };
}
