/** Bytes at the start of a body that number the message, where it is long enough. */
const NUMBER_BYTES = 4;

/**
 * The content of a message: its number, then bytes that look random. The same number and length
 * always give the same bytes, so that nothing needs to be kept to check what arrives.
 *
 * @param number - of the message in its run, from 0
 */
export function messageBody(number: number, bytes: number): Uint8Array {
  const body = new Uint8Array(bytes);
  // A linear congruential generator (W. Press et al., Numerical Recipes): its upper bits do.
  let state = (Math.imul(number, 0x9e3779b1) + bytes) >>> 0;
  for (let index = 0; index < bytes; index++) {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    body[index] = state >>> 24;
  }
  for (let index = 0; index < Math.min(bytes, NUMBER_BYTES); index++) {
    body[index] = (number >>> (8 * index)) & 0xff;
  }
  return body;
}

/** The number in a body; `undefined` if it is too short to hold one. */
export function numberIn(body: Uint8Array): number | undefined {
  if (body.length < NUMBER_BYTES) return undefined;
  return new DataView(body.buffer, body.byteOffset, body.byteLength).getUint32(0, true);
}

export function sameBytes(one: Uint8Array, other: Uint8Array): boolean {
  return Buffer.compare(one, other) === 0;
}
