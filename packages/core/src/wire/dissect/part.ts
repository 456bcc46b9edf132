/** One field of a datagram, in words. */
export interface DatagramField {
  /** As in PROTOCOL.md: `token from`, `largest`. */
  readonly name: string;
  /** Its bytes: from offset `from` to before `to`. */
  readonly from: number;
  readonly to: number;
  /** Bits of its one byte, if it is not all of it. */
  readonly mask?: number;
  /** A number; or bytes, as hexadecimal digits. */
  readonly value: number | string;
  /** What the value means: a few words, or a sentence. */
  readonly words: string;
  /** Section of PROTOCOL.md. */
  readonly section: string;
}

/** A stretch of a datagram: its head, a frame, its checksum. */
export interface DatagramPart {
  /** `head`, `data`, `ack`, …, `crc`, `tag`, `encrypted`, `unreadable`. */
  readonly name: string;
  /** Its bytes: from offset `from` to before `to`. */
  readonly from: number;
  readonly to: number;
  /** All of it in a few words. */
  readonly words: string;
  /** Section of PROTOCOL.md. */
  readonly section: string;
  /** In the order of their bytes; together they cover the part. */
  readonly fields: readonly DatagramField[];
}

const HEX = Array.from({ length: 256 }, (_, byte) => byte.toString(16).padStart(2, "0"));

/** Lines up the fields of a part, from its first byte on. */
export class PartBuilder {
  readonly #fields: DatagramField[] = [];
  readonly #from: number;
  #at: number;

  constructor(
    readonly bytes: Uint8Array,
    from: number,
    readonly section: string,
  ) {
    this.#from = this.#at = from;
  }

  /** Offset of the next field. */
  get at(): number {
    return this.#at;
  }

  /** Some bits of the byte at hand; {@link skipByte} goes on to the next. */
  bits(name: string, mask: number, words: (value: number) => string): this {
    const shift = 31 - Math.clz32(mask & -mask);
    const value = ((this.bytes[this.#at] ?? 0) & mask) >>> shift;
    const { section } = this;
    this.#fields.push({
      name,
      from: this.#at,
      to: this.#at + 1,
      mask,
      value,
      words: words(value),
      section,
    });
    return this;
  }

  skipByte(): this {
    this.#at++;
    return this;
  }

  /** A number of 1 to 4 bytes, most significant byte first. */
  number(name: string, size: number, words: (value: number) => string): this {
    let value = 0;
    for (let index = 0; index < size; index++) {
      value = value * 256 + (this.bytes[this.#at + index] ?? 0);
    }
    return this.value(name, size, value, words(value));
  }

  /** A field whose value is known. */
  value(name: string, size: number, value: number | string, words: string): this {
    const from = this.#at;
    this.#at += size;
    this.#fields.push({ name, from, to: this.#at, value, words, section: this.section });
    return this;
  }

  /** Bytes; no field if there are none. */
  raw(name: string, size: number, words: string): this {
    if (size <= 0) return this;
    let value = "";
    for (let index = 0; index < size; index++) value += HEX[this.bytes[this.#at + index] ?? 0];
    return this.value(name, size, value, words);
  }

  done(name: string, words: string): DatagramPart {
    const { section } = this;
    return { name, from: this.#from, to: this.#at, words, section, fields: this.#fields };
  }
}

/** A whole stretch as one field. */
export function plainPart(
  bytes: Uint8Array,
  from: number,
  to: number,
  section: string,
  name: string,
  words: string,
): DatagramPart {
  return new PartBuilder(bytes, from, section).raw(name, to - from, words).done(name, words);
}
