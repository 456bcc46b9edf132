import { encode } from "@msgpack/msgpack";
import { DEPTH_MAX } from "./limits.js";
import { ValueError } from "./value-error.js";

const INT64_MIN = -(2n ** 63n);
const UINT64_MAX = 2n ** 64n - 1n;
const LONE_SURROGATE = /\p{Surrogate}/u;

/**
 * Writes a value as MessagePack: `null`, booleans, numbers, bigints of 64 bits, strings, `Uint8Array`s,
 * valid `Date`s, arrays, and objects with their own enumerable fields.
 *
 * As in JSON, a field that is `undefined` is left out and an `undefined` element becomes `null`.
 * `-0` becomes `0`. Everything else arrives as it was or is refused here, at the sender, where the
 * mistake is: nothing is dropped or rounded silently.
 *
 * @throws {ValueError} `not-encodable` for functions, symbols, `Map`s, `Set`s, arrays of wider
 *   numbers and the like, bigints beyond 64 bits, invalid dates, strings that are not well-formed
 *   Unicode, a field called `__proto__`, cycles and nesting deeper than `DEPTH_MAX`. The message says where in the value.
 */
export function encodeValue(value: unknown): Uint8Array {
  check(value, [], "value");
  return encode(value, { useBigInt64: true, ignoreUndefined: true, maxDepth: DEPTH_MAX });
}

/** @param path - the keys that lead to this value, kept for the message of an error */
function check(value: unknown, path: (string | number)[], role: "value" | "key"): void {
  if (path.length >= DEPTH_MAX && role === "value") {
    refuse(path.slice(0, 3), `nests deeper than ${DEPTH_MAX}, or holds itself`, "Flatten it");
  }
  switch (typeof value) {
    case "string":
      if (LONE_SURROGATE.test(value))
        refuse(path, "is not well-formed Unicode", "Send it as bytes");
      return;
    case "bigint":
      if (value < INT64_MIN || value > UINT64_MAX) {
        refuse(path, "does not fit into 64 bits", "Send it as a string or as bytes");
      }
      return;
    case "function":
    case "symbol":
      refuse(path, `is a ${typeof value}`, "Leave it out");
      return;
    case "object":
      if (value !== null) checkObject(value, path);
  }
}

function checkObject(value: object, path: (string | number)[]): void {
  if (Array.isArray(value)) {
    for (const [index, item] of value.entries()) {
      path.push(index);
      check(item, path, "value");
      path.pop();
    }
    return;
  }
  if (value instanceof Date) {
    if (Number.isNaN(value.getTime())) refuse(path, "is an invalid date", "Send null instead");
    return;
  }
  // A Map has no fields of its own and would arrive empty; wider numbers would arrive as bytes, in
  // this machine's byte order.
  const kind = Object.prototype.toString.call(value).slice("[object ".length, -1);
  if (kind === "Uint8Array") return;
  if (kind !== "Object") refuse(path, `is a ${kind}`, "Turn it into an array or a plain object");
  for (const [key, item] of Object.entries(value)) {
    path.push(key);
    // Decoders refuse this key, ours included: it would change the prototype of what they build.
    if (key === "__proto__")
      refuse(path, "cannot be a field's name", "Give the field another name");
    check(key, path, "key");
    check(item, path, "value");
    path.pop();
  }
}

function refuse(path: readonly (string | number)[], why: string, advice: string): never {
  const where = path.length === 0 ? "The value" : `The value at ${path.join(".")}`;
  throw new ValueError("not-encodable", `${where} ${why}. ${advice}.`);
}
