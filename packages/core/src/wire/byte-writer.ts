import { varintBytes } from "./varint.js";

/** Up to this size a plain loop copies faster than `set` with the view it needs (measured). */
const COPY_LOOP_BYTES_MAX = 24;

/**
 * Writes numbers and bytes one after the other into an array that its owner provides, most
 * significant byte first.
 *
 * A value out of range, or one byte too many, is a bug of the caller and throws `RangeError`; nothing
 * of that value has then been written.
 */
export class ByteWriter {
  /** Where the bytes go. */
  bytes: Uint8Array;
  /** Offset of the next byte. */
  at: number;
  private end: number;

  /**
   * @param bytes - array to fill
   * @param at - offset of the first byte
   */
  constructor(bytes: Uint8Array, at = 0) {
    this.bytes = bytes;
    this.at = at;
    this.end = bytes.length;
  }

  /** Start over, in another or the same array; the limit becomes its length. */
  reset(bytes: Uint8Array, at = 0): void {
    this.bytes = bytes;
    this.at = at;
    this.end = bytes.length;
  }

  /** Offset that is not written to any more; the length of the array until it is set. */
  get limit(): number {
    return this.end;
  }

  set limit(limit: number) {
    if (!(limit >= 0 && limit <= this.bytes.length)) {
      throw new RangeError(`A limit of ${limit} lies outside the ${this.bytes.length} bytes.`);
    }
    this.end = limit;
  }

  /** Bytes that may still be written. */
  get room(): number {
    return this.end - this.at;
  }

  /** One byte, 0..255. */
  u8(value: number): void {
    if (value !== (value & 0xff)) throw outOfRange(value, 8);
    if (this.at >= this.end) throw noRoom(1, this);
    this.bytes[this.at++] = value;
  }

  /** Two bytes, 0..65535. */
  u16(value: number): void {
    if (value !== (value & 0xffff)) throw outOfRange(value, 16);
    if (this.end - this.at < 2) throw noRoom(2, this);
    this.bytes[this.at++] = value >>> 8;
    this.bytes[this.at++] = value;
  }

  /** Four bytes, 0..2^32 - 1. */
  u32(value: number): void {
    if (value !== value >>> 0) throw outOfRange(value, 32);
    if (this.end - this.at < 4) throw noRoom(4, this);
    this.putU32(value);
  }

  /**
   * A variable-length integer in its shortest form, 0..2^53 - 1.
   * @see RFC 9000, section 16
   */
  varint(value: number): void {
    const size = varintBytes(value);
    if (this.end - this.at < size) throw noRoom(size, this);
    if (size === 1) {
      this.bytes[this.at++] = value;
    } else if (size === 2) {
      this.bytes[this.at++] = 0x40 | (value >>> 8);
      this.bytes[this.at++] = value;
    } else if (size === 4) {
      this.putU32(0x8000_0000 | value);
    } else {
      this.putU32(0xc000_0000 | (value / 0x1_0000_0000));
      this.putU32(value);
    }
  }

  /**
   * Bytes as they are.
   *
   * @param source - where they come from; must not overlap the bytes being written
   * @param from - offset of the first one, 0 by default
   * @param to - offset behind the last one, the length of `source` by default
   */
  raw(source: Uint8Array, from = 0, to: number = source.length): void {
    const size = to - from;
    if (!(from >= 0 && size >= 0 && to <= source.length)) {
      throw new RangeError(`Bytes ${from} to ${to} lie outside the ${source.length} given.`);
    }
    if (this.end - this.at < size) throw noRoom(size, this);
    if (size > COPY_LOOP_BYTES_MAX) {
      this.bytes.set(source.subarray(from, to), this.at);
      this.at += size;
    } else {
      for (let at = from; at < to; at++) this.bytes[this.at++] = source[at]!;
    }
  }

  private putU32(value: number): void {
    this.bytes[this.at++] = value >>> 24;
    this.bytes[this.at++] = value >>> 16;
    this.bytes[this.at++] = value >>> 8;
    this.bytes[this.at++] = value;
  }
}

function outOfRange(value: number, bits: number): RangeError {
  return new RangeError(`${value} is not an unsigned integer of ${bits} bits.`);
}

function noRoom(size: number, out: ByteWriter): RangeError {
  return new RangeError(`${size} bytes do not fit: ${out.room} of ${out.limit} are left.`);
}
