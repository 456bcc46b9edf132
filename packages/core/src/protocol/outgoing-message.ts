import { updateCrc32 } from "../wire/crc32.js";
import { PRIORITY_RANK, type Priority } from "./channels.js";
import type { Delivery } from "./errors.js";

/** What a sender may ask for one message; the endpoint's `SendOptions` come down to this. */
export interface MessageOptions {
  readonly priority: Priority;
  /** Instant after which it is given up, microseconds; `Infinity`: never. */
  readonly deadlineUs: number;
  /** What to do when the session is lost and the message may have arrived; section 10. */
  readonly afterRestart: "report" | "resend";
  /** `handshake`: hold it back until the peer is verified; section 4.5. */
  readonly firstContact: "data" | "handshake";
  /** It answers a request: it must not make us send more to an unverified peer than came from it. */
  readonly isAnswer: boolean;
  /** Emit `message-progressed` events. */
  readonly wantsProgress: boolean;
}

/** One message on its way out, across sessions. */
export class OutgoingMessage {
  readonly rank: number;
  /** Set when it has ended, in whatever way: nothing of it is sent any more. */
  hasEnded = false;
  /** Bytes already cut into fragments, in this session. */
  cutBytes = 0;
  /** Whether its last fragment has been cut, in this session. */
  isCut = false;
  /** Number of its first fragment; meaningful once anything is cut. */
  firstFragment = 0;
  /** Fragments cut and not acknowledged. */
  openFragments = 0;
  /** Datagrams that carried a fragment of it, repeats included, in all sessions. */
  fragmentsSent = 0;
  fragmentsRepeated = 0;
  acknowledgedBytes = 0;
  /** An event that tells of progress waits to be polled: one is enough. */
  isProgressQueued = false;
  /** A later message of its channel has arrived, in the session that is over. */
  isOvertaken = false;
  /** How often the peer found it damaged (CRC-32). */
  timesDamaged = 0;
  #crc32 = -1;
  /** All of it was sent before, in a session or a try that is over. */
  #wasCut = false;

  constructor(
    readonly id: number,
    readonly channel: number,
    readonly bytes: Uint8Array,
    readonly options: MessageOptions,
  ) {
    this.rank = PRIORITY_RANK[options.priority];
  }

  get crc32(): number {
    if (this.#crc32 < 0) this.#crc32 = updateCrc32(0, this.bytes);
    return this.#crc32;
  }

  get hasBegun(): boolean {
    return this.cutBytes > 0 || this.isCut;
  }

  /** Fragments are sent in order, so once the last is cut all may have arrived. */
  get delivery(): Delivery {
    return this.isCut || this.#wasCut ? "unknown" : "none";
  }

  /** Back to before the first fragment, for another session or another try. */
  rewind(): void {
    this.#wasCut ||= this.isCut;
    this.cutBytes = 0;
    this.isCut = false;
    this.openFragments = 0;
    this.acknowledgedBytes = 0;
  }
}

/** Messages of one channel that wait their turn, oldest first. */
export class MessageQueue {
  #items: OutgoingMessage[] = [];
  #head = 0;

  /** The foremost message that has not ended. */
  get first(): OutgoingMessage | undefined {
    while (this.#head < this.#items.length && this.#items[this.#head]?.hasEnded) this.#drop();
    return this.#items[this.#head];
  }

  get length(): number {
    return this.#items.length - this.#head;
  }

  push(message: OutgoingMessage): void {
    this.#items.push(message);
  }

  /** Put messages back in front, in their order. */
  unshift(messages: readonly OutgoingMessage[]): void {
    this.#items = [...messages, ...this.#items.slice(this.#head)];
    this.#head = 0;
  }

  shift(): OutgoingMessage | undefined {
    const message = this.first;
    if (message) this.#drop();
    return message;
  }

  *[Symbol.iterator](): Iterator<OutgoingMessage> {
    for (let at = this.#head; at < this.#items.length; at++)
      yield this.#items[at] as OutgoingMessage;
  }

  #drop(): void {
    this.#head++;
    if (this.#head > 32 && this.#head * 2 > this.#items.length) {
      this.#items = this.#items.slice(this.#head);
      this.#head = 0;
    }
  }
}
