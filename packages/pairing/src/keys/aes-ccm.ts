import { type DirectionKey, TAG_BYTES } from "@fardel/core";
import { unsafe } from "@noble/ciphers/aes.js";
import { equalBytes } from "@noble/ciphers/utils.js";

/** Bytes of a key. */
export const CCM_KEY_BYTES = 16;
/** Bytes of a nonce: 15 less the two of the length field. */
export const CCM_NONCE_BYTES = 13;

const BLOCK_BYTES = 16;
/** What a length field of two bytes can say. */
const TEXT_BYTES_MAX = 0xffff;
/** From here on the length of associated data would need more than two bytes. */
const ASSOCIATED_BYTES_MAX = 0xfeff;
/** Flags of B_0: tag of 8 bytes, length field of 2; bit 6: there is associated data. */
const FLAGS = ((TAG_BYTES - 2) / 2) * 8 + 1;
const FLAG_ASSOCIATED = 0x40;
/** Flags of the counter blocks: length field of 2. */
const COUNTER_FLAGS = 1;

const { encrypt, expandKeyLE } = unsafe;

/**
 * AES-128-CCM with a tag of 8 bytes and a length field of 2: AEAD_AES_128_CCM_8. The block cipher is
 * that of `@noble/ciphers`, which lacks this mode; the key is expanded once.
 * @see RFC 3610, section 2; RFC 6655, section 6.1
 */
export class AesCcm implements DirectionKey {
  readonly #schedule: Uint32Array;
  /** State of the CBC-MAC: four words, least significant byte first, as the block cipher takes them. */
  readonly #mac = new Uint32Array(4);
  /** The current counter block, encrypted. */
  readonly #stream = new Uint32Array(4);

  /** @param key - 16 bytes */
  constructor(key: Uint8Array) {
    if (key.length !== CCM_KEY_BYTES) {
      throw new RangeError(`A key of ${key.length} bytes is not one of ${CCM_KEY_BYTES}.`);
    }
    this.#schedule = expandKeyLE(key);
  }

  seal(bytes: Uint8Array, from: number, to: number, nonce: Uint8Array): void {
    if (!(from >= 0 && from <= to && to + TAG_BYTES <= bytes.length)) {
      throw new RangeError(`No room for a tag: bytes ${from} to ${to} of ${bytes.length}.`);
    }
    checkLimits(from, to - from, nonce);
    this.#authenticate(bytes, from, bytes, from, to, nonce);
    this.#crypt(bytes, from, to, bytes, from, nonce);
    this.#writeTag(bytes, to, nonce);
  }

  open(datagram: Uint8Array, from: number, nonce: Uint8Array): Uint8Array | undefined {
    const to = datagram.length - TAG_BYTES;
    if (from > to || to - from > TEXT_BYTES_MAX) return undefined;
    checkLimits(from, to - from, nonce);
    const plain = new Uint8Array(to - from);
    this.#crypt(datagram, from, to, plain, 0, nonce);
    this.#authenticate(datagram, from, plain, 0, plain.length, nonce);
    const tag = new Uint8Array(TAG_BYTES);
    this.#writeTag(tag, 0, nonce);
    // In constant time: how much of a forged tag was right must not show.
    if (equalBytes(tag, datagram.subarray(to))) return plain;
    plain.fill(0);
    return undefined;
  }

  /** CBC-MAC over B_0, the associated data with its length, and the text. */
  #authenticate(
    head: Uint8Array,
    headBytes: number,
    text: Uint8Array,
    from: number,
    to: number,
    nonce: Uint8Array,
  ): void {
    const state = this.#mac;
    fillBlock(state, headBytes > 0 ? FLAGS | FLAG_ASSOCIATED : FLAGS, nonce, to - from);
    this.#encrypt(state);
    if (headBytes > 0) {
      state[0]! ^= (headBytes >>> 8) | ((headBytes & 0xff) << 8);
      const first = Math.min(headBytes, BLOCK_BYTES - 2);
      for (let at = 0; at < first; at++) mix(state, at + 2, head[at]!);
      this.#encrypt(state);
      this.#absorb(head, first, headBytes);
    }
    this.#absorb(text, from, to);
  }

  /** The last block counts as filled up with zeros. */
  #absorb(bytes: Uint8Array, from: number, to: number): void {
    const state = this.#mac;
    let at = from;
    for (; at + BLOCK_BYTES <= to; at += BLOCK_BYTES) {
      state[0]! ^= wordAt(bytes, at);
      state[1]! ^= wordAt(bytes, at + 4);
      state[2]! ^= wordAt(bytes, at + 8);
      state[3]! ^= wordAt(bytes, at + 12);
      this.#encrypt(state);
    }
    if (at === to) return;
    for (let index = 0; at < to; at++, index++) mix(state, index, bytes[at]!);
    this.#encrypt(state);
  }

  /** Counter mode, from counter 1 on. */
  #crypt(
    source: Uint8Array,
    from: number,
    to: number,
    target: Uint8Array,
    targetFrom: number,
    nonce: Uint8Array,
  ): void {
    const stream = this.#stream;
    let out = targetFrom;
    for (let at = from, counter = 1; at < to; counter++) {
      fillBlock(stream, COUNTER_FLAGS, nonce, counter);
      this.#encrypt(stream);
      const end = Math.min(to, at + BLOCK_BYTES);
      for (let index = 0; at < end; at++, index++)
        target[out++] = source[at]! ^ (stream[index >> 2]! >>> (8 * (index & 3)));
    }
  }

  /** The first bytes of the CBC-MAC, encrypted with counter 0. */
  #writeTag(target: Uint8Array, at: number, nonce: Uint8Array): void {
    const stream = this.#stream;
    fillBlock(stream, COUNTER_FLAGS, nonce, 0);
    this.#encrypt(stream);
    for (let index = 0; index < TAG_BYTES; index++) {
      const word = index >> 2;
      target[at + index] = (this.#mac[word]! ^ stream[word]!) >>> (8 * (index & 3));
    }
  }

  #encrypt(block: Uint32Array): void {
    const { s0, s1, s2, s3 } = encrypt(this.#schedule, block[0]!, block[1]!, block[2]!, block[3]!);
    block[0] = s0;
    block[1] = s1;
    block[2] = s2;
    block[3] = s3;
  }
}

/** B_0 or a counter block: flags, nonce, and two bytes that hold a length or the counter. */
function fillBlock(block: Uint32Array, flags: number, nonce: Uint8Array, last: number): void {
  block[0] = flags | (nonce[0]! << 8) | (nonce[1]! << 16) | (nonce[2]! << 24);
  block[1] = wordAt(nonce, 3);
  block[2] = wordAt(nonce, 7);
  block[3] = nonce[11]! | (nonce[12]! << 8) | ((last & 0xff00) << 8) | ((last & 0xff) << 24);
}

function wordAt(bytes: Uint8Array, at: number): number {
  return bytes[at]! | (bytes[at + 1]! << 8) | (bytes[at + 2]! << 16) | (bytes[at + 3]! << 24);
}

function mix(state: Uint32Array, index: number, byte: number): void {
  state[index >> 2]! ^= byte << (8 * (index & 3));
}

function checkLimits(headBytes: number, textBytes: number, nonce: Uint8Array): void {
  if (nonce.length !== CCM_NONCE_BYTES) {
    throw new RangeError(`A nonce of ${nonce.length} bytes is not one of ${CCM_NONCE_BYTES}.`);
  }
  if (headBytes > ASSOCIATED_BYTES_MAX || textBytes > TEXT_BYTES_MAX) {
    throw new RangeError(`${headBytes} and ${textBytes} bytes are more than this mode can hold.`);
  }
}
