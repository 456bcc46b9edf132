import type { Address } from "@fardel/core";
import { isSameAddress } from "../store/address-text.js";
import { type Announcement, encodeAnnounce } from "./announce-body.js";
import { decodeQuery, isInMap, type Query } from "./query-body.js";
import { RateLimit } from "./rate-limit.js";

/** PROTOCOL.md, section 15.2. */
export const ANSWERS_PER_SECOND = 4;
export const ANSWERS_IN_A_ROW = 8;
/** From one announcement to the next in pairing mode, on average, microseconds; section 15.1. */
export const PAIRING_PERIOD_US = 400_000;
/** Within this time an announcement that was asked for goes out, microseconds. */
export const ANNOUNCE_WITHIN_US = 1_000_000;

const NEVER = Number.POSITIVE_INFINITY;

/** What an announcer needs. */
export interface AnnouncerOptions {
  /** The board's own: its bit in the maps of queries depends on it. */
  readonly address: Address;
  /** Largest body that the link carries. */
  readonly bodyBytesMax: number;
  readonly announcement: Announcement;
  /** Uniform unsigned 32-bit numbers. */
  readonly random: () => number;
}

/** A body, and who is to get it. */
export interface OutgoingBody {
  /** Left out: everybody. */
  readonly to?: Address;
  readonly body: Uint8Array;
}

interface WaitingAnswer {
  readonly to: Address;
  readonly id: number;
  readonly atUs: number;
}

/**
 * A board that lets itself be found, without input or output. PROTOCOL.md, sections 15.1 and 15.2.
 *
 * - Commands: {@link update}, {@link announceSoon}.
 * - Inputs: {@link handleQuery}, {@link handleTimeout}.
 * - Outputs, to be drained after any of these: {@link pollTransmit} until there is none, then {@link timeoutUs}.
 *
 * What waits is bounded: one announcement and one answer.
 */
export class Announcer {
  readonly #options: AnnouncerOptions;
  readonly #limit = new RateLimit(ANSWERS_PER_SECOND, ANSWERS_IN_A_ROW);
  readonly #outgoing: OutgoingBody[] = [];
  #announcement: Announcement;
  #body: Uint8Array;
  #nameBytes: Uint8Array;
  #announceUs = NEVER;
  #answer: WaitingAnswer | undefined;
  #answered: { readonly to: Address; readonly id: number } | undefined;

  /** @throws {@link PairingError} `invalid-option` */
  constructor(options: AnnouncerOptions, nowUs: number) {
    this.#options = options;
    this.#announcement = options.announcement;
    const { body, nameBytes } = encodeAnnounce(options.announcement, options.bodyBytesMax);
    this.#body = body;
    this.#nameBytes = nameBytes;
    if (options.announcement.isInPairingMode) this.#announceNext(nowUs);
  }

  // Getters

  get announcement(): Announcement {
    return this.#announcement;
  }

  /** Instant at which {@link handleTimeout} has something to do; `Infinity`: none. */
  get timeoutUs(): number {
    return Math.min(this.#announceUs, this.#answer?.atUs ?? NEVER);
  }

  // Commands

  /** Announce this from now on. In pairing mode that happens again and again. @throws {@link PairingError} `invalid-option` */
  update(announcement: Announcement, nowUs: number): void {
    const { body, nameBytes } = encodeAnnounce(announcement, this.#options.bodyBytesMax);
    const wasInPairingMode = this.#announcement.isInPairingMode;
    this.#announcement = announcement;
    this.#body = body;
    this.#nameBytes = nameBytes;
    if (wasInPairingMode === announcement.isInPairingMode) return;
    if (announcement.isInPairingMode) this.#announceNext(nowUs);
    else this.#announceUs = NEVER;
  }

  /** Announce it to everybody, once, at a random time within a second. */
  announceSoon(nowUs: number): void {
    const atUs = nowUs + this.#draw(ANNOUNCE_WITHIN_US);
    this.#announceUs = Math.min(this.#announceUs, atUs);
  }

  // Inputs

  /** A QUERY body came from this address. */
  handleQuery(from: Address, body: Uint8Array, nowUs: number): void {
    const query = decodeQuery(body);
    if (!query || !this.#isAsked(query)) return;
    const waiting = this.#answer;
    const isAgain = waiting !== undefined && isSameAddress(waiting.to, from);
    if (isAgain && waiting.id === query.id) return;
    if (this.#hasAnswered(from, query.id)) return;
    const atUs = nowUs + this.#draw(query.spreadMs * 1000);
    // The asker's own later query counts. A stranger's, however long its spread, must not keep the answer from others.
    if (waiting && !isAgain && waiting.atUs <= atUs) return;
    this.#answer = { to: from.slice(), id: query.id, atUs };
    this.handleTimeout(nowUs);
  }

  handleTimeout(nowUs: number): void {
    if (this.#announceUs <= nowUs) {
      this.#outgoing.push({ body: this.#body });
      this.#announceUs = NEVER;
      if (this.#announcement.isInPairingMode) this.#announceNext(nowUs);
    }
    const answer = this.#answer;
    if (!answer || answer.atUs > nowUs) return;
    this.#answer = undefined;
    this.#answered = answer;
    if (this.#limit.take(nowUs)) this.#outgoing.push({ to: answer.to, body: this.#body });
  }

  // Outputs

  /** The next body to send, once. */
  pollTransmit(): OutgoingBody | undefined {
    return this.#outgoing.shift();
  }

  #isAsked(query: Query): boolean {
    const { isInPairingMode, kind } = this.#announcement;
    if (query.pairingOnly && !isInPairingMode) return false;
    if (query.kind !== "" && query.kind !== kind) return false;
    if (!query.prefix.every((byte, at) => byte === this.#nameBytes[at])) return false;
    return !isInMap(query, this.#options.address);
  }

  #hasAnswered(from: Address, id: number): boolean {
    const last = this.#answered;
    return last !== undefined && last.id === id && isSameAddress(last.to, from);
  }

  /** Half to one and a half times the period, drawn anew each time: two boards do not stay in step. */
  #announceNext(nowUs: number): void {
    this.#announceUs = nowUs + PAIRING_PERIOD_US / 2 + this.#draw(PAIRING_PERIOD_US);
  }

  /** Uniform, whole microseconds, from 0 to this. */
  #draw(mostUs: number): number {
    return Math.floor((this.#options.random() / 2 ** 32) * (mostUs + 1));
  }
}
