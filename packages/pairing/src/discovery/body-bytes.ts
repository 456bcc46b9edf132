/** Reads the fields of a body one after the other; once the bytes have run out it stays `isShort`. */
export class BodyReader {
  readonly #body: Uint8Array;
  #at = 0;
  /** More was asked for than there was; everything read since is 0 or empty. */
  isShort = false;

  constructor(body: Uint8Array) {
    this.#body = body;
  }

  u8(): number {
    return this.#number(1);
  }

  u16(): number {
    return this.#number(2);
  }

  u32(): number {
    return this.#number(4);
  }

  /**
   * A variable-length integer; RFC 9000, section 16.
   * @returns 0..2^62 - 1; above 2^53 - 1 not exact
   */
  varint(): number {
    const first = this.u8();
    const more = this.bytes((1 << (first >>> 6)) - 1);
    return more.reduce((value, byte) => value * 256 + byte, first & 0x3f);
  }

  /** A view, not a copy. */
  bytes(size: number): Uint8Array {
    if (this.#at + size > this.#body.length) {
      this.isShort = true;
      this.#at = this.#body.length;
      return new Uint8Array(0);
    }
    this.#at += size;
    return this.#body.subarray(this.#at - size, this.#at);
  }

  #number(size: number): number {
    return this.bytes(size).reduce((value, byte) => value * 256 + byte, 0);
  }
}

/** Most significant byte first. */
export function numberBytes(value: number, size: number): Uint8Array {
  const bytes = new Uint8Array(size);
  let left = value;
  for (let at = size - 1; at >= 0; at--) {
    bytes[at] = left % 256;
    left = Math.floor(left / 256);
  }
  return bytes;
}

/** The shortest form of a variable-length integer, 0..2^53 - 1; RFC 9000, section 16. */
export function varintBytes(value: number): Uint8Array {
  const form = [6, 14, 30].findIndex((bits) => value < 2 ** bits);
  const log = form < 0 ? 3 : form;
  const bytes = numberBytes(value, 1 << log);
  bytes[0]! |= log << 6;
  return bytes;
}

/** Length, and the bytes. */
export function withLength(bytes: Uint8Array): Uint8Array {
  return Uint8Array.of(bytes.length, ...bytes);
}

export function joined(...fields: readonly Uint8Array[]): Uint8Array {
  const body = new Uint8Array(fields.reduce((sum, { length }) => sum + length, 0));
  let at = 0;
  for (const field of fields) {
    body.set(field, at);
    at += field.length;
  }
  return body;
}
