import { encodeValue } from "@fardel/msgpack";

/**
 * A message that brings its name along. FORMATS.md, "Named messages":
 *
 * ```
 *   +----+---------+------------------------------------+---------- - -
 *   | C1 | 01      | MessagePack map name, bytes, sha256 | content …
 *   +----+---------+------------------------------------+---------- - -
 * ```
 */
const MARK = 0xc1;
const VERSION = 1;
const MAP_AT = 2;

/** Longest name, bytes of UTF-8: what file systems take. */
export const NAME_BYTES_MAX = 255;

/** Longest header, bytes; what is longer is none. */
export const HEADER_BYTES_MAX = 1024;

export interface NamedHeader {
  /** As the sender gave it: not to be trusted. */
  readonly name: string;
  /** Length of the content. */
  readonly bytes: number;
  /** SHA-256 of the content, 32 bytes. */
  readonly sha256: Uint8Array;
}

export function encodeHeader({ name, bytes, sha256 }: NamedHeader): Uint8Array {
  // Beyond 32 bits the encoder makes an integer of a bigint only.
  const length = bytes > 0xffff_ffff ? BigInt(bytes) : bytes;
  const map = encodeValue({ name, bytes: length, sha256 });
  const header = new Uint8Array(MAP_AT + map.length);
  header[0] = MARK;
  header[1] = VERSION;
  header.set(map, MAP_AT);
  return header;
}

/**
 * - `header`: there is one, and the content starts at `contentAt`
 * - `none`: the message is a plain one; `isDamaged` if it begins like a named one
 * - `more`: the bytes so far do not tell
 */
export type HeaderResult =
  | { readonly found: "header"; readonly header: NamedHeader; readonly contentAt: number }
  | { readonly found: "none"; readonly isDamaged: boolean }
  | { readonly found: "more" };

/**
 * Look for a header at the start of a message. Whatever the bytes are, this never throws.
 * @param bytes - the message from its start on, as far as it is there
 * @param isWhole - no more will come
 */
export function readHeader(bytes: Uint8Array, isWhole: boolean): HeaderResult {
  if (bytes.length > 0 && bytes[0] !== MARK) return { found: "none", isDamaged: false };
  const reader = new MapReader(bytes.subarray(0, HEADER_BYTES_MAX), MAP_AT);
  const isLong = bytes.length >= HEADER_BYTES_MAX;
  const isKnown = bytes.length < MAP_AT || bytes[1] === VERSION;
  const fields = isKnown && bytes.length > MAP_AT ? reader.readMap() : undefined;
  const header = fields && headerOf(fields);
  if (header) return { found: "header", header, contentAt: reader.at };
  const mayStillCome = isKnown && !isWhole && !isLong && (bytes.length <= MAP_AT || reader.isShort);
  return mayStillCome ? { found: "more" } : { found: "none", isDamaged: bytes.length > 0 };
}

type Field = string | number | Uint8Array;

function headerOf(fields: ReadonlyMap<string, Field>): NamedHeader | undefined {
  const name = fields.get("name");
  const bytes = fields.get("bytes");
  const sha256 = fields.get("sha256");
  const isHeader =
    typeof name === "string" &&
    typeof bytes === "number" &&
    sha256 instanceof Uint8Array &&
    sha256.length === 32;
  return isHeader ? { name, bytes, sha256 } : undefined;
}

const FIELDS_MAX = 15;

/** Reads a map of texts, unsigned integers and byte strings, and finds where it ends. */
class MapReader {
  /** Set when the bytes ended too early. */
  isShort = false;

  constructor(
    readonly bytes: Uint8Array,
    public at: number,
  ) {}

  /** @returns `undefined` if it is something else, or not all there */
  readMap(): Map<string, Field> | undefined {
    const head = this.#number(1);
    if (head === undefined || head < 0x80 || head > 0x80 + FIELDS_MAX) return undefined;
    const fields = new Map<string, Field>();
    for (let left = head - 0x80; left > 0; left--) {
      const key = this.#field();
      if (typeof key !== "string" || fields.has(key)) return undefined;
      const value = this.#field();
      if (value === undefined) return undefined;
      fields.set(key, value);
    }
    return fields;
  }

  #field(): Field | undefined {
    const head = this.#number(1);
    if (head === undefined || head < 0x80) return head;
    if (head >= 0xa0 && head <= 0xbf) return this.#text(head - 0xa0);
    if (head >= 0xd9 && head <= 0xda) return this.#text(this.#number(1 << (head - 0xd9)));
    if (head >= 0xc4 && head <= 0xc5) return this.#take(this.#number(1 << (head - 0xc4)));
    if (head >= 0xcc && head <= 0xcf) return this.#number(1 << (head - 0xcc));
    return undefined;
  }

  #number(byteCount: number): number | undefined {
    const bytes = this.#take(byteCount);
    const value = bytes?.reduce((number, byte) => number * 256 + byte, 0);
    return value !== undefined && Number.isSafeInteger(value) ? value : undefined;
  }

  #text(byteCount: number | undefined): string | undefined {
    const bytes = this.#take(byteCount);
    try {
      return bytes && new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(bytes);
    } catch {
      return undefined;
    }
  }

  #take(byteCount: number | undefined): Uint8Array | undefined {
    if (byteCount === undefined) return undefined;
    if (this.at + byteCount > this.bytes.length) {
      this.isShort = true;
      return undefined;
    }
    const bytes = this.bytes.slice(this.at, this.at + byteCount);
    this.at += byteCount;
    return bytes;
  }
}
