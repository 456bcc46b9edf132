import {
  BLOCK_AROUND_BYTES,
  BLOCK_DATAGRAM,
  BLOCK_INTERFACE,
  BLOCK_SECTION_HEADER,
  BLOCK_STATISTICS,
  BYTE_ORDER_MAGIC,
  SECTION_FIXED_BYTES,
} from "./pcapng.js";

/** Largest block that is read, bytes: the largest datagram needs 65,856 and its comment. */
export const BLOCK_BYTES_MAX = 256 * 1024;
/** So much is looked at in one go: what is pushed at once may be of any size. */
const STRIDE_BYTES = 64 * 1024;
const KNOWN_TYPES: ReadonlySet<number> = new Set([
  BLOCK_SECTION_HEADER,
  BLOCK_INTERFACE,
  BLOCK_STATISTICS,
  BLOCK_DATAGRAM,
]);

/** What a stream of bytes is made of. */
export type SplitItem =
  | {
      readonly type: "block";
      readonly blockType: number;
      /** Between the lengths; a view that is valid during the call only. */
      readonly body: DataView;
      /** Byte order of its section. */
      readonly isLittle: boolean;
      /** Offset of the block in the file. */
      readonly at: number;
    }
  | { readonly type: "fault"; readonly at: number; readonly why: string };

/**
 * Cuts a pcapng file, in pieces of any size, into blocks. Blocks of unknown types are passed over,
 * whatever their size. Behind bytes that are no block, the next block is looked for.
 */
export class BlockSplitter {
  #buffer = new Uint8Array(STRIDE_BYTES);
  #length = 0;
  /** Offset in the file of the first byte in the buffer. */
  #offset = 0;
  #passOverBytes = 0;
  #isSearching = false;
  /** `undefined` before the first section. */
  #isLittle: boolean | undefined;

  constructor(readonly onItem: (item: SplitItem) => void) {}

  push(bytes: Uint8Array): void {
    for (let at = 0; at < bytes.length; at += STRIDE_BYTES) {
      this.#append(bytes.subarray(at, at + STRIDE_BYTES));
      this.#drain(false);
    }
  }

  /** Nothing more comes. @returns offset of a block that is cut off, if there is one */
  end(): number | undefined {
    this.#drain(true);
    const isCut = this.#passOverBytes > 0 || (this.#length > 0 && !this.#isSearching);
    return isCut ? this.#offset : undefined;
  }

  #append(bytes: Uint8Array): void {
    const needed = this.#length + bytes.length;
    if (needed > this.#buffer.length) {
      const larger = new Uint8Array(Math.max(needed, 2 * this.#buffer.length));
      larger.set(this.#buffer.subarray(0, this.#length));
      this.#buffer = larger;
    }
    this.#buffer.set(bytes, this.#length);
    this.#length = needed;
  }

  #drain(isEnd: boolean): void {
    const view = new DataView(this.#buffer.buffer, 0, this.#length);
    let at = 0;
    for (;;) {
      if (this.#passOverBytes > 0) {
        const bytes = Math.min(this.#passOverBytes, this.#length - at);
        this.#passOverBytes -= bytes;
        at += bytes;
      }
      const taken = this.#isSearching ? this.#search(view, at, isEnd) : this.#take(view, at);
      if (taken === 0) break;
      at += taken;
    }
    this.#buffer.copyWithin(0, at, this.#length);
    this.#length -= at;
    this.#offset += at;
  }

  /** @returns bytes that are done with; 0: more must come first */
  #take(view: DataView, at: number): number {
    if (view.byteLength - at < BLOCK_AROUND_BYTES) return 0;
    const head = readHead(view, at, this.#isLittle);
    if (!head) {
      this.#fault(at, "what stands here is no block; looking for the next one");
      this.#isSearching = true;
      return 1;
    }
    const { blockType, bytes, isLittle } = head;
    if (!KNOWN_TYPES.has(blockType)) return this.#passOver(bytes);
    if (bytes > BLOCK_BYTES_MAX && blockType !== BLOCK_SECTION_HEADER) {
      this.#fault(at, `a block of ${bytes} bytes is too large, and passed over`);
      return this.#passOver(bytes);
    }
    // Of a section header nothing is read that lies behind what every one has.
    const bodyBytes = Math.min(bytes - BLOCK_AROUND_BYTES, MAX_BODY[blockType] ?? bytes);
    const isWholeRead = bodyBytes === bytes - BLOCK_AROUND_BYTES;
    const readBytes = isWholeRead ? bytes : 8 + bodyBytes;
    if (view.byteLength - at < readBytes) return 0;
    this.#isLittle = isLittle;
    if (isWholeRead && view.getUint32(at + bytes - 4, isLittle) !== bytes)
      this.#fault(at, "the two lengths of a block differ; the first one is taken");
    const body = new DataView(view.buffer, at + 8, bodyBytes);
    this.onItem({ type: "block", blockType, body, isLittle, at: this.#offset + at });
    return this.#passOver(bytes);
  }

  #passOver(bytes: number): number {
    this.#passOverBytes = bytes - 1;
    return 1;
  }

  /** A block whose two lengths agree. */
  #search(view: DataView, from: number, isEnd: boolean): number {
    for (let at = from; view.byteLength - at >= BLOCK_AROUND_BYTES; at++) {
      const head = readHead(view, at, this.#isLittle);
      if (!head || !KNOWN_TYPES.has(head.blockType) || head.bytes > BLOCK_BYTES_MAX) continue;
      const isHere = view.byteLength - at >= head.bytes;
      if (!isHere && !isEnd) return at - from;
      if (!isHere || view.getUint32(at + head.bytes - 4, head.isLittle) !== head.bytes) continue;
      this.#isSearching = false;
      return at - from || this.#take(view, at);
    }
    return Math.max(0, view.byteLength - from - BLOCK_AROUND_BYTES + 1);
  }

  #fault(at: number, why: string): void {
    this.onItem({ type: "fault", at: this.#offset + at, why });
  }
}

const MAX_BODY: Readonly<Record<number, number>> = { [BLOCK_SECTION_HEADER]: SECTION_FIXED_BYTES };

/** @returns `undefined`: no block can begin like this */
function readHead(view: DataView, at: number, sectionIsLittle: boolean | undefined) {
  let isLittle = sectionIsLittle;
  if (view.getUint32(at) === BLOCK_SECTION_HEADER) {
    if (view.getUint32(at + 8, true) === BYTE_ORDER_MAGIC) isLittle = true;
    else if (view.getUint32(at + 8) === BYTE_ORDER_MAGIC) isLittle = false;
    else return undefined;
  }
  if (isLittle === undefined) return undefined;
  const blockType = view.getUint32(at, isLittle);
  const bytes = view.getUint32(at + 4, isLittle);
  const bytesMin =
    BLOCK_AROUND_BYTES + (blockType === BLOCK_SECTION_HEADER ? SECTION_FIXED_BYTES : 0);
  return bytes < bytesMin || bytes % 4 !== 0 ? undefined : { blockType, bytes, isLittle };
}
