/** What a reader returns instead of a number when the bytes end before the value does. */
export const READ_PAST_END = -1;

/** What {@link ByteReader.varint} returns when the value needs more than 53 bits. */
export const READ_TOO_LARGE = -2;

const EMPTY = /* @__PURE__ */ new Uint8Array(0);

/**
 * Reads numbers and bytes one after the other, most significant byte first.
 *
 * It never throws and never reads outside its range: past the end, numbers are
 * {@link READ_PAST_END}, and the position stays where it was. Decoders therefore check `left` once
 * for a run of fields of fixed size, and the result only where the size depends on the bytes.
 */
export class ByteReader {
  /** Where the bytes come from. */
  readonly bytes: Uint8Array;
  /** Offset of the next byte. */
  at: number;
  /** Offset behind the last byte, at most `bytes.length`. */
  readonly end: number;

  /**
   * @param bytes - array to read from; never changed
   * @param at - offset of the first byte
   * @param end - offset behind the last byte; a greater one than `bytes.length` means that
   */
  constructor(bytes: Uint8Array, at = 0, end: number = bytes.length) {
    this.bytes = bytes;
    this.at = at;
    this.end = Math.min(end, bytes.length);
  }

  /** Bytes not read yet; below 0 only if constructed with `at` beyond the end. */
  get left(): number {
    return this.end - this.at;
  }

  /** One byte, 0..255, or {@link READ_PAST_END}. */
  u8(): number {
    if (this.at >= this.end) return READ_PAST_END;
    return this.bytes[this.at++]!;
  }

  /** Two bytes, 0..65535, or {@link READ_PAST_END}. */
  u16(): number {
    if (this.end - this.at < 2) return READ_PAST_END;
    const value = (this.bytes[this.at]! << 8) | this.bytes[this.at + 1]!;
    this.at += 2;
    return value;
  }

  /** Four bytes, 0..2^32 - 1, or {@link READ_PAST_END}. */
  u32(): number {
    if (this.end - this.at < 4) return READ_PAST_END;
    const value = this.peekU32(this.at) >>> 0;
    this.at += 4;
    return value;
  }

  /**
   * A variable-length integer, also in a longer form than needed (as RFC 9000, section 16 allows).
   *
   * @returns 0..2^53 - 1, {@link READ_PAST_END}, or {@link READ_TOO_LARGE}
   */
  varint(): number {
    if (this.at >= this.end) return READ_PAST_END;
    const first = this.bytes[this.at]!;
    const size = 1 << (first >>> 6);
    if (this.end - this.at < size) return READ_PAST_END;
    const start = this.at;
    if (size === 8) {
      const high = this.peekU32(start) & 0x3fff_ffff;
      if (high > 0x1f_ffff) return READ_TOO_LARGE;
      this.at += 8;
      return high * 0x1_0000_0000 + (this.peekU32(start + 4) >>> 0);
    }
    this.at += size;
    if (size === 1) return first;
    if (size === 2) return ((first & 0x3f) << 8) | this.bytes[start + 1]!;
    return this.peekU32(start) & 0x3fff_ffff;
  }

  /**
   * The next bytes, as a view into the array (no copy).
   *
   * @param size - how many, at most `left`; with more, or less than 0, the view is empty and the
   *   position stays
   */
  view(size: number): Uint8Array {
    if (!(size > 0 && size <= this.end - this.at)) return EMPTY;
    const start = this.at;
    this.at += size;
    return this.bytes.subarray(start, this.at);
  }

  private peekU32(at: number): number {
    return (
      (this.bytes[at]! << 24) |
      (this.bytes[at + 1]! << 16) |
      (this.bytes[at + 2]! << 8) |
      this.bytes[at + 3]!
    );
  }
}
