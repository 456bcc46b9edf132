import type { Clock } from "./clock.js";
import type { Address } from "./link.js";
import { exchangeChannel } from "./protocol/channels.js";
import { FardelError } from "./protocol/errors.js";
import { addressKey } from "./protocol/peer-table.js";
import type { Receipt } from "./remote-peer.js";
import { checkedRank, type DeliveryOptions, deadlineUs } from "./send-options.js";
import { abortError, sentenceFor } from "./sentences.js";

/** Kinds of messages on the exchange channels; PROTOCOL.md, section 5.6. */
const KIND = { request: 1, reply: 2, failure: 3 } as const;
const HEAD_BYTES = 3;

/** Sends one message on an exchange channel. */
export type ExchangeSend = (
  address: Address,
  bytes: Uint8Array,
  options: DeliveryOptions,
  channel: number,
  isAnswer: boolean,
) => Promise<Receipt>;

/** A request that a peer's application has made. */
export interface IncomingRequest {
  readonly bytes: Uint8Array;
  reply(bytes: Uint8Array): Promise<Receipt>;
  fail(text: string): Promise<Receipt>;
}

interface Pending {
  readonly peerKey: string;
  resolve(bytes: Uint8Array): void;
  reject(error: unknown): void;
  /** Its message has been delivered: the reply belongs to that session. */
  isDelivered: boolean;
}

/** Requests and replies on top of messages: each request has an id, its reply bears the same. */
export class Exchange {
  readonly #pending = new Map<string, Pending>();
  #nextId: number;

  constructor(
    readonly clock: Clock,
    readonly send: ExchangeSend,
    firstId: number,
  ) {
    this.#nextId = firstId & 0xffff;
  }

  /** Send a request; see `RemotePeer.request`. */
  async request(
    address: Address,
    bytes: Uint8Array,
    options: DeliveryOptions,
  ): Promise<Uint8Array> {
    checkedRank(options.priority);
    const dueUs = deadlineUs(options.deadlineMs, this.clock.nowUs());
    const { signal } = options;
    const { key, id, reply } = this.#register(addressKey(address));
    const fail = (error: unknown) => {
      const pending = this.#take(key);
      pending?.reject(error);
      if (pending) this.clock.wakeWaiters?.();
    };
    const timer = this.clock.setTimer(dueUs, () =>
      fail(new FardelError("not-answered", sentenceFor("not-answered"), "unknown")),
    );
    const onAbort = () => fail(abortError(signal, "unknown"));
    signal?.addEventListener("abort", onAbort, { once: true });
    // Its own failure, with what is known about delivery, comes before these two.
    this.send(
      address,
      encode(KIND.request, id, bytes),
      options,
      exchangeChannel(options.priority ?? "normal"),
      false,
    ).then(() => {
      const pending = this.#pending.get(key);
      if (pending) pending.isDelivered = true;
    }, fail);
    try {
      return await reply;
    } finally {
      this.clock.clearTimer(timer);
      signal?.removeEventListener("abort", onAbort);
    }
  }

  /**
   * Take a message of an exchange channel.
   * @returns a request to hand to the application; nothing if it was a reply; `"malformed"` if neither
   */
  receive(
    address: Address,
    message: Uint8Array,
    channel: number,
    isSameSession: () => boolean,
  ): IncomingRequest | undefined | "malformed" {
    const [kind = 0, high = 0, low = 0] = message;
    if (message.length < HEAD_BYTES || kind < KIND.request || kind > KIND.failure)
      return "malformed";
    const id = (high << 8) | low;
    const bytes = message.subarray(HEAD_BYTES);
    if (kind === KIND.request) return this.#incoming(address, id, bytes, channel, isSameSession);
    const pending = this.#take(pendingKey(addressKey(address), id));
    if (kind === KIND.reply) pending?.resolve(bytes);
    else
      pending?.reject(
        new FardelError(
          "request-failed",
          `The peer's application says: ${new TextDecoder().decode(bytes)}`,
          "unknown",
        ),
      );
    return undefined;
  }

  #incoming(
    address: Address,
    id: number,
    bytes: Uint8Array,
    channel: number,
    isSameSession: () => boolean,
  ): IncomingRequest {
    const priority = channel === exchangeChannel("urgent") ? "urgent" : "normal";
    const answer = async (kind: number, answerBytes: Uint8Array) => {
      // Another session's requests have other ids.
      if (!isSameSession())
        throw new FardelError("peer-restarted", sentenceFor("peer-restarted"), "none");
      return this.send(address, encode(kind, id, answerBytes), { priority }, channel, true);
    };
    return {
      bytes,
      reply: (reply) => answer(KIND.reply, reply),
      fail: (text) => answer(KIND.failure, new TextEncoder().encode(text)),
    };
  }

  /** The session with a peer is over: replies to what was delivered in it will not come. */
  endSession(peerKey: string, error: FardelError): void {
    for (const [key, pending] of this.#pending) {
      if (pending.peerKey !== peerKey || !pending.isDelivered) continue;
      this.#pending.delete(key);
      pending.reject(error);
    }
  }

  #register(peerKey: string): { key: string; id: number; reply: Promise<Uint8Array> } {
    let id = this.#nextId;
    for (let tries = 0; this.#pending.has(pendingKey(peerKey, id)); tries++) {
      if (tries > 0xffff) throw new FardelError("queue-full", sentenceFor("queue-full"), "none");
      id = (id + 1) & 0xffff;
    }
    this.#nextId = (id + 1) & 0xffff;
    const key = pendingKey(peerKey, id);
    const reply = new Promise<Uint8Array>((resolve, reject) => {
      this.#pending.set(key, { peerKey, resolve, reject, isDelivered: false });
    });
    return { key, id, reply };
  }

  #take(key: string): Pending | undefined {
    const pending = this.#pending.get(key);
    this.#pending.delete(key);
    return pending;
  }
}

function encode(kind: number, id: number, bytes: Uint8Array): Uint8Array {
  const message = new Uint8Array(HEAD_BYTES + bytes.length);
  message[0] = kind;
  message[1] = id >>> 8;
  message[2] = id;
  message.set(bytes, HEAD_BYTES);
  return message;
}

function pendingKey(peerKey: string, id: number): string {
  return `${id} ${peerKey}`;
}
