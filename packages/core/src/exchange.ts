import { FardelError } from "./protocol/errors.js";

/** Kinds of messages on the exchange channels; PROTOCOL.md, section 5.6. */
export const EXCHANGE_KIND = { request: 1, reply: 2, failure: 3 } as const;
const HEAD_BYTES = 3;

/** A request, reply or failure, taken apart. */
export interface ExchangeMessage {
  readonly kind: number;
  readonly id: number;
  readonly bytes: Uint8Array;
}

export function encodeExchange(kind: number, id: number, bytes: Uint8Array): Uint8Array {
  const message = new Uint8Array(HEAD_BYTES + bytes.length);
  message[0] = kind;
  message[1] = id >>> 8;
  message[2] = id;
  message.set(bytes, HEAD_BYTES);
  return message;
}

/** @returns nothing if it is none of the three: the peer's fault. */
export function decodeExchange(message: Uint8Array): ExchangeMessage | undefined {
  const [kind = 0, high = 0, low = 0] = message;
  if (message.length < HEAD_BYTES || kind < EXCHANGE_KIND.request || kind > EXCHANGE_KIND.failure)
    return undefined;
  return { kind, id: (high << 8) | low, bytes: message.subarray(HEAD_BYTES) };
}

/** A request of ours that waits for its reply. */
export interface PendingRequest {
  readonly peerKey: string;
  resolve(bytes: Uint8Array): void;
  reject(error: unknown): void;
  /** Its message has been delivered: it now belongs to that session. */
  isDelivered: boolean;
}

/** Requests under way, by peer and id. */
export class PendingRequests {
  readonly #pending = new Map<string, PendingRequest>();
  #nextId: number;

  constructor(firstId: number) {
    this.#nextId = firstId & 0xffff;
  }

  /** @throws {@link FardelError} `queue-full` if 65,536 requests to one peer wait. */
  add(request: PendingRequest): number {
    for (let tries = 0; tries <= 0xffff; tries++) {
      const id = this.#nextId;
      this.#nextId = (id + 1) & 0xffff;
      const key = pendingKey(request.peerKey, id);
      if (this.#pending.has(key)) continue;
      this.#pending.set(key, request);
      return id;
    }
    throw new FardelError(
      "queue-full",
      "65,536 requests to this peer wait for replies. Wait for some of them.",
      "none",
    );
  }

  take(peerKey: string, id: number): PendingRequest | undefined {
    const key = pendingKey(peerKey, id);
    const request = this.#pending.get(key);
    this.#pending.delete(key);
    return request;
  }

  /** The session with a peer is over: replies to what was delivered in it will not come. */
  failDelivered(peerKey: string, error: FardelError): void {
    for (const [key, request] of this.#pending) {
      if (request.peerKey !== peerKey || !request.isDelivered) continue;
      this.#pending.delete(key);
      request.reject(error);
    }
  }
}

function pendingKey(peerKey: string, id: number): string {
  return `${id} ${peerKey}`;
}
