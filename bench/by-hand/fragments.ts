/**
 * The frames of the protocols that people write by hand: numbered fragments, and acks that name one.
 * Numbers have their high byte first. There is no checksum: a radio drops damaged frames by itself.
 */

/** Before the bytes of a fragment: message 1, index 2, count 2. */
export const HEADER_BYTES = 5;
/** An ack: message 1, index 2. */
export const ACK_BYTES = 3;
const COUNT_MAX = 0xffff;

export interface Fragment {
  /** Which message, 0..255. */
  readonly message: number;
  /** From zero; less than `count`. */
  readonly index: number;
  readonly count: number;
  readonly bytes: Uint8Array;
}

export interface Ack {
  readonly message: number;
  readonly index: number;
}

/**
 * Cuts a message into frames, all of them full but for the last.
 * @param message - number of the message, 0..255
 * @throws `RangeError` if it would take more than 65535 fragments
 */
export function framesOf(message: number, bytes: Uint8Array, mtuBytes: number): Uint8Array[] {
  const payloadBytes = mtuBytes - HEADER_BYTES;
  const count = Math.max(1, Math.ceil(bytes.length / payloadBytes));
  if (count > COUNT_MAX) {
    throw new RangeError(`The message takes ${count} fragments; cut it into several messages.`);
  }
  return Array.from({ length: count }, (_, index) => {
    const part = bytes.subarray(index * payloadBytes, (index + 1) * payloadBytes);
    return encodeFragment({ message, index, count, bytes: part });
  });
}

export function encodeFragment({ message, index, count, bytes }: Fragment): Uint8Array {
  const frame = new Uint8Array(HEADER_BYTES + bytes.length);
  frame.set([message, index >> 8, index & 0xff, count >> 8, count & 0xff]);
  frame.set(bytes, HEADER_BYTES);
  return frame;
}

/** @returns `undefined` if it is none; `bytes` is a view of `frame` */
export function decodeFragment(frame: Uint8Array): Fragment | undefined {
  if (frame.length < HEADER_BYTES) return undefined;
  const view = new DataView(frame.buffer, frame.byteOffset, frame.length);
  const [index, count] = [view.getUint16(1), view.getUint16(3)];
  if (index >= count) return undefined;
  return { message: view.getUint8(0), index, count, bytes: frame.subarray(HEADER_BYTES) };
}

export function encodeAck({ message, index }: Ack): Uint8Array {
  return Uint8Array.of(message, index >> 8, index & 0xff);
}

/** @returns `undefined` if it is none */
export function decodeAck(frame: Uint8Array): Ack | undefined {
  if (frame.length !== ACK_BYTES) return undefined;
  const view = new DataView(frame.buffer, frame.byteOffset, frame.length);
  return { message: view.getUint8(0), index: view.getUint16(1) };
}
