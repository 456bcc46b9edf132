import { decodeValue } from "./decode-value.js";
import { encodeValue } from "./encode-value.js";
import { ValueError } from "./value-error.js";

/**
 * Whatever sends bytes: a peer of `@fardel/core`, or anything of that shape.
 *
 * @typeParam Rest - what `send` takes after the bytes, for instance `[options?: SendOptions]`
 * @typeParam Result - what `send` returns, for instance a promise of a receipt
 */
export interface MessageSender<Rest extends unknown[], Result> {
  send(bytes: Uint8Array, ...rest: Rest): Result;
}

/** Whatever carries the bytes of a received message. */
export interface MessageBytes {
  readonly bytes: Uint8Array;
}

/**
 * A received message and what it says. What a peer sends never throws: a message that is no
 * MessagePack value comes with `ok: false`, and the messages after it still come.
 */
export type ReceivedValue<Message extends MessageBytes> =
  | { readonly ok: true; readonly value: unknown; readonly message: Message }
  | { readonly ok: false; readonly error: ValueError; readonly message: Message };

/**
 * Sends one value as one message, in the way that the peer's own `send` would.
 *
 * @param rest - passed on to `peer.send`, in general its options
 * @returns what `peer.send` returns
 * @throws {ValueError} `not-encodable`, before anything is sent; see `encodeValue`
 * @example
 * ```ts
 * await sendValue(station, { fan: "on", untilC: 1.5 }, { priority: 7 });
 * ```
 */
export function sendValue<Rest extends unknown[], Result>(
  peer: MessageSender<Rest, Result>,
  value: unknown,
  ...rest: Rest
): Result {
  return peer.send(encodeValue(value), ...rest);
}

/**
 * Turns an iterable of messages into one of values. Reads no further ahead than its consumer, so
 * flow control still reaches the sender, and closes `messages` when the consumer stops early.
 *
 * @example
 * ```ts
 * for await (const received of values(station.messages)) {
 *   if (received.ok) record(received.value);
 *   else log(received.error.message);
 * }
 * ```
 */
export async function* values<Message extends MessageBytes>(
  messages: AsyncIterable<Message> | Iterable<Message>,
): AsyncGenerator<ReceivedValue<Message>, void, undefined> {
  for await (const message of messages) yield read(message);
}

function read<Message extends MessageBytes>(message: Message): ReceivedValue<Message> {
  try {
    return { ok: true, value: decodeValue(message.bytes), message };
  } catch (error) {
    if (error instanceof ValueError) return { ok: false, error, message };
    throw error;
  }
}
