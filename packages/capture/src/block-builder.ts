import { BLOCK_AROUND_BYTES, OPTION_END, padded } from "./pcapng.js";

/** Builds one block, least significant byte first. The draft, section 3.1. */
export class BlockBuilder {
  #bytes: Uint8Array;
  #view: DataView;
  #at = 8;

  /** @param sizeBytes - what it will have at most, all in all */
  constructor(type: number, sizeBytes: number) {
    this.#bytes = new Uint8Array(padded(sizeBytes));
    this.#view = new DataView(this.#bytes.buffer);
    this.#view.setUint32(0, type, true);
  }

  u16(value: number): this {
    this.#view.setUint16(this.#at, value, true);
    this.#at += 2;
    return this;
  }

  u32(value: number): this {
    this.#view.setUint32(this.#at, value, true);
    this.#at += 4;
    return this;
  }

  /** A time: upper half first, whatever the byte order. */
  time(us: number): this {
    return this.u32(Math.floor(us / 2 ** 32)).u32(us % 2 ** 32);
  }

  /** Filled up to four bytes. */
  raw(...pieces: Uint8Array[]): this {
    for (const piece of pieces) {
      this.#bytes.set(piece, this.#at);
      this.#at += piece.length;
    }
    this.#at = padded(this.#at);
    return this;
  }

  option(code: number, value: Uint8Array): this {
    return this.u16(code).u16(value.length).raw(value);
  }

  option32(code: number, value: number): this {
    return this.u16(code).u16(4).u32(value);
  }

  option64(code: number, value: number): this {
    return this.u16(code)
      .u16(8)
      .u32(value % 2 ** 32)
      .u32(Math.floor(value / 2 ** 32));
  }

  optionTime(code: number, us: number): this {
    return this.u16(code).u16(8).time(us);
  }

  endOfOptions(): this {
    return this.u16(OPTION_END).u16(0);
  }

  done(): Uint8Array {
    const length = this.#at + 4;
    this.#view.setUint32(4, length, true);
    this.#view.setUint32(this.#at, length, true);
    return this.#bytes.subarray(0, length);
  }
}

/** Bytes of a block with options: what each takes, its code and length, and their end. */
export function blockBytes(fixedBytes: number, ...optionBytes: number[]): number {
  const options = optionBytes.reduce((sum, bytes) => sum + 4 + padded(bytes), 4);
  return BLOCK_AROUND_BYTES + padded(fixedBytes) + options;
}
