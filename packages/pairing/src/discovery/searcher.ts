import type { Address, DatagramInfo } from "@fardel/core";
import { type Announcement, decodeAnnounce } from "./announce-body.js";
import { type Found, FoundTable } from "./found-table.js";
import {
  encodeQuery,
  type FittedFilter,
  fitFilter,
  isInMap,
  makeMap,
  type Query,
  type QueryFilter,
} from "./query-body.js";
import { adaptSpread, SPREAD_FIRST_MS } from "./spread.js";

/** Boards that a searcher remembers, unless it is told otherwise; PROTOCOL.md, section 15.3. */
export const FOUND_MAX = 512;
/** So many queries in a row that brought nobody new end a search. */
export const QUIET_QUERIES = 5;
/** Bytes of the map for each board heard, if they fit: 32 bits, so that 1 in 32 keeps silent by chance. */
const MAP_BYTES_PER_BOARD = 4;
/** Answers drawn for the end of the spread still have to get on air, microseconds. */
const ANSWER_GRACE_US = 50_000;
/** The link could not take the query: time until it is asked again, microseconds. */
const REFUSED_US = 100_000;
/** The link has not said a word about the query for so long: it counts as sent. */
const OUTCOME_US_MAX = 1_000_000;

const NEVER = Number.POSITIVE_INFINITY;

/** What a searcher needs. */
export interface SearcherOptions extends QueryFilter {
  /** Largest body that the link carries. */
  readonly bodyBytesMax: number;
  /** Boards remembered. When full: the one heard longest ago gives way, and is found again when it is heard. */
  readonly foundMax: number;
  /** Uniform unsigned 32-bit numbers. */
  readonly random: () => number;
}

/** What came of an announcement. */
export type Heard = "new" | "known" | "passed-over";

/**
 * A gateway that looks for boards, without input or output. PROTOCOL.md, sections 15.2 and 15.3.
 *
 * - Commands: {@link ask}, {@link stopAsking}.
 * - Inputs: {@link handleAnnouncement}, {@link handleSendOutcome}, {@link handleTimeout}.
 * - Outputs, to be drained after any of these: {@link pollTransmit} until there is none, then {@link timeoutUs}.
 *
 * Listens also while it does not ask. The table of boards is bounded.
 */
export class Searcher {
  readonly #options: SearcherOptions;
  readonly #fitted: FittedFilter;
  readonly #table: FoundTable;
  #query: Query | undefined;
  #phase: "silent" | "due" | "handed" | "waiting" = "silent";
  #atUs = NEVER;
  #spreadMs = SPREAD_FIRST_MS;
  #quietQueries = 0;
  /** Boards that the query in hand brought: new ones, and others that its map did not hold. */
  #answers = 0;
  #newcomers = 0;
  #queries = 0;

  constructor(options: SearcherOptions) {
    this.#options = options;
    this.#fitted = fitFilter(options, options.bodyBytesMax);
    this.#table = new FoundTable(options.foundMax);
  }

  // Getters

  /** All queries since {@link ask} were handed over, and the last ones brought nobody new. */
  get isComplete(): boolean {
    return this.#phase === "silent" && this.#quietQueries >= QUIET_QUERIES;
  }

  /** Queries that were handed over. */
  get queries(): number {
    return this.#queries;
  }

  get foundCount(): number {
    return this.#table.size;
  }

  /** Instant at which {@link handleTimeout} has something to do; `Infinity`: none. */
  get timeoutUs(): number {
    return this.#phase === "due" ? NEVER : this.#atUs;
  }

  /** Everybody remembered, the one heard longest ago first. */
  found(nowUs: number): Found[] {
    return this.#table.all(nowUs);
  }

  find(address: Address, nowUs: number): Found | undefined {
    return this.#table.find(address, nowUs);
  }

  // Commands

  /** Each board once, in the order in which they were found. @returns nothing if there is none left now */
  takeFound(nowUs: number): Found | undefined {
    return this.#table.take(nowUs);
  }

  /** Ask from now on, with the smallest spread: at the start, and on another radio channel. */
  ask(): void {
    this.#spreadMs = SPREAD_FIRST_MS;
    this.#quietQueries = 0;
    this.#phase = "due";
  }

  stopAsking(): void {
    this.#phase = "silent";
    this.#atUs = NEVER;
  }

  // Inputs

  /** An ANNOUNCE body came from this address. */
  handleAnnouncement(from: Address, body: Uint8Array, info: DatagramInfo, nowUs: number): Heard {
    const announcement = decodeAnnounce(body);
    if (!announcement) return "passed-over";
    if (!this.#isSought(announcement)) {
      // It has left pairing mode, or is another one now.
      this.#table.forget(from);
      return "passed-over";
    }
    const isNew = this.#table.note(from, announcement, info, nowUs);
    if (isNew) this.#newcomers++;
    if (isNew || (this.#query && !isInMap(this.#query, from))) this.#answers++;
    return isNew ? "new" : "known";
  }

  /** @param hasLeft - whether the query that was polled last is on air: answers are waited for from now on */
  handleSendOutcome(hasLeft: boolean, nowUs: number): void {
    if (this.#phase !== "handed" || !this.#query) return;
    this.#phase = "waiting";
    if (hasLeft) {
      this.#atUs = nowUs + this.#query.spreadMs * 1000 + ANSWER_GRACE_US;
    } else {
      this.#query = undefined;
      this.#atUs = nowUs + REFUSED_US;
    }
  }

  handleTimeout(nowUs: number): void {
    if (nowUs < this.timeoutUs) return;
    if (this.#phase === "handed") {
      this.handleSendOutcome(true, nowUs);
      return;
    }
    this.#atUs = NEVER;
    this.#phase = "due";
    if (!this.#query) return;
    this.#quietQueries = this.#newcomers > 0 ? 0 : this.#quietQueries + 1;
    this.#spreadMs = adaptSpread(this.#spreadMs, this.#answers);
    if (this.#quietQueries >= QUIET_QUERIES) this.stopAsking();
  }

  // Outputs

  /** The next query to send, once. Say what became of it with {@link handleSendOutcome}. */
  pollTransmit(nowUs: number): Uint8Array | undefined {
    if (this.#phase !== "due") return undefined;
    const { kind, prefix, mapBytesMax } = this.#fitted;
    const { random, pairingOnly } = this.#options;
    const id = random();
    const mapBytes = Math.min(mapBytesMax, MAP_BYTES_PER_BOARD * this.#table.size);
    const map = makeMap(id, this.#table.addresses(), mapBytes);
    this.#query = { id, spreadMs: this.#spreadMs, pairingOnly, kind, prefix, map };
    this.#phase = "handed";
    this.#atUs = nowUs + OUTCOME_US_MAX;
    this.#answers = 0;
    this.#newcomers = 0;
    this.#queries++;
    return encodeQuery(this.#query);
  }

  #isSought({ kind, name, isInPairingMode }: Announcement): boolean {
    const { kind: wanted, namePrefix, pairingOnly } = this.#options;
    if (pairingOnly && !isInPairingMode) return false;
    return (wanted === "" || kind === wanted) && name.startsWith(namePrefix);
  }
}
