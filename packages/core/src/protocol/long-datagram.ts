import { crcMatches } from "../wire/datagram.js";
import { decodeFrames, type Frame, isNoSession } from "../wire/frames.js";
import { CRC_BYTES, type Head } from "../wire/head.js";

/** What a long datagram holds, or why it is dropped before it changes anything. */
export type LongContent = readonly Frame[] | "corrupt" | "malformed";

/** Both tokens are visible in the long form: it can be judged before anybody is asked about its sender. */
export function readLong(datagram: Uint8Array, head: Head & { form: "long" }): LongContent {
  if (!crcMatches(datagram, head.tokenTo, head.tokenFrom, head.number)) return "corrupt";
  const frames = decodeFrames(datagram, head.headBytes, datagram.length - CRC_BYTES);
  if (!frames.ok) return "malformed";
  // NO-SESSION, and nothing else, comes from token 0; section 4.4.
  return isNoSession(frames.value) === (head.tokenFrom === 0) ? frames.value : "malformed";
}
