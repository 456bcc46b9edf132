/** Shortest payload that names its message. Shorter ones are told apart by number only. */
export const NAMED_BYTES_MIN = 4;
const REPLY_BIT = 0x8000_0000;

/**
 * Bytes of message `id`: its number, then bytes that follow from it, so that a mistaken byte shows
 * wherever it comes from.
 */
export function payloadOf(id: number, bytes: number): Uint8Array {
  const payload = new Uint8Array(bytes);
  for (let at = 0; at < Math.min(bytes, NAMED_BYTES_MIN); at++) payload[at] = id >>> (24 - 8 * at);
  // A linear congruential generator (D. Knuth, The Art of Computer Programming, vol. 2, 3.3.4, table
  // 1, line 16: from memory); its high bits are good enough to tell one message from another.
  let state = Math.imul(id, 0x9e3779b1) >>> 0;
  for (let at = NAMED_BYTES_MIN; at < bytes; at++) {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    payload[at] = state >>> 24;
  }
  return payload;
}

/** Number of the message that begins with these bytes. */
export function idOf(payload: Uint8Array): number {
  const [a = 0, b = 0, c = 0, d = 0] = payload;
  return ((a << 24) | (b << 16) | (c << 8) | d) >>> 0;
}

/** What the application at the other end answers to request `id`. */
export function replyTo(id: number): Uint8Array {
  return payloadOf(
    (id | REPLY_BIT) >>> 0,
    NAMED_BYTES_MIN + ((Math.imul(id, 40503) & 0xffff) % 300),
  );
}

export function sameBytes(one: Uint8Array, other: Uint8Array): boolean {
  return Buffer.compare(one, other) === 0;
}
