import { decode } from "@msgpack/msgpack";
import { scan } from "./scan.js";
import { ValueError } from "./value-error.js";

/**
 * Reads the one MessagePack value that `bytes` hold.
 *
 * - An integer becomes a `number` where a number holds it exactly, else a `bigint`.
 * - A byte string becomes a `Uint8Array` that looks into `bytes`: no copy is made.
 * - A timestamp becomes a `Date`, to the millisecond.
 * - A map becomes a plain object; its keys must be strings or numbers, and not `__proto__`.
 * - Work and memory stay in proportion to the length of `bytes`, whatever they announce.
 *
 * The bytes came from a peer, so the result has type `unknown`: check its shape before use.
 *
 * @throws {ValueError} `not-msgpack` if the bytes are truncated, malformed, followed by others,
 *   nested deeper than `DEPTH_MAX` or hold what JavaScript cannot represent. The message says where.
 */
export function decodeValue(bytes: Uint8Array): unknown {
  const seen = scan(bytes);
  if (!seen.ok) throw notMsgpack(seen.why);
  let value: unknown;
  try {
    value = decode(bytes, { useBigInt64: true });
  } catch (cause) {
    throw notMsgpack(cause instanceof Error ? cause.message : String(cause), cause);
  }
  return seen.hasRareParts ? settleRareParts(value) : value;
}

function notMsgpack(why: string, cause?: unknown): ValueError {
  const advice = "See that the peer sends one MessagePack value in each message of this kind";
  const options = cause === undefined ? {} : { cause };
  return new ValueError("not-msgpack", `Not a MessagePack value: ${why}. ${advice}.`, options);
}

/** The decoder gives every 64-bit integer as a bigint, and dates that JavaScript cannot hold. */
function settleRareParts(value: unknown): unknown {
  if (typeof value === "bigint") return asNumberIfExact(value);
  if (typeof value !== "object" || value === null || ArrayBuffer.isView(value)) return value;
  if (value instanceof Date) {
    if (Number.isNaN(value.getTime())) throw notMsgpack("a timestamp lies outside a Date's range");
    return value;
  }
  if (Array.isArray(value)) {
    for (const [index, item] of value.entries()) value[index] = settleRareParts(item);
    return value;
  }
  if (Object.getPrototypeOf(value) === Object.prototype) {
    const map = value as Record<string, unknown>;
    for (const key of Object.keys(map)) map[key] = settleRareParts(map[key]);
  }
  return value;
}

function asNumberIfExact(value: bigint): number | bigint {
  const number = Number(value);
  return Number.isSafeInteger(number) ? number : value;
}
