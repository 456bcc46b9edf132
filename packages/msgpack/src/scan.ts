import { DEPTH_MAX } from "./limits.js";

/**
 * What a look over the bytes told.
 *
 * `hasRareParts`: there is a 64-bit integer or an extension, whose decoded form needs a second look.
 */
export type Scan =
  | { readonly ok: true; readonly hasRareParts: boolean }
  | { readonly ok: false; readonly why: string };

const fault = (why: string): Scan => ({ ok: false, why });

/**
 * Checks that `bytes` hold exactly one well-formed MessagePack value, without building any of it.
 *
 * A header of 5 bytes may announce 4 billion elements, and decoders make room for what a header
 * announces. After this scan the announced elements are known to be there, so that what a decoder
 * builds stays in proportion to the bytes that arrived.
 *
 * @see MessagePack specification, section "Formats"
 */
export function scan(bytes: Uint8Array): Scan {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  /** For each container that is open: values still to come. */
  const open: number[] = [];
  let at = 0;
  let hasRareParts = false;
  do {
    const head = view.byteLength > at ? view.getUint8(at) : undefined;
    if (head === undefined) return fault(`the bytes end after ${at}, where a value should start`);
    if (head === 0xc1) return fault(`byte ${at} is C1, which MessagePack never uses`);
    const lengthBytes = lengthFieldBytes(head);
    const bodyAt = at + 1 + lengthBytes;
    if (bodyAt > view.byteLength) return fault(`the bytes end within the header at byte ${at}`);
    const length = readLength(view, at + 1, lengthBytes);
    const end = bodyAt + payloadBytes(head, length);
    if (end > view.byteLength) return fault(`the bytes end within the value at byte ${at}`);
    if (open.length >= DEPTH_MAX) return fault(`byte ${at} nests deeper than ${DEPTH_MAX}`);
    hasRareParts ||= isRare(head);
    at = end;
    closeOne(open);
    const children = childCount(head, length);
    if (children > 0) open.push(children);
    while (open.at(-1) === 0) open.pop();
  } while (open.length > 0);
  if (at < view.byteLength) return fault(`${view.byteLength - at} bytes follow the value`);
  return { ok: true, hasRareParts };
}

/** A value has been read: the innermost open container waits for one less. */
function closeOne(open: number[]): void {
  const innermost = open.length - 1;
  const left = open[innermost];
  if (left !== undefined) open[innermost] = left - 1;
}

/** Size of the field after the head byte that holds a length or count: 0, 1, 2 or 4 bytes. */
function lengthFieldBytes(head: number): number {
  switch (head) {
    case 0xc4: // bin 8
    case 0xc7: // ext 8
    case 0xd9: // str 8
      return 1;
    case 0xc5: // bin 16
    case 0xc8: // ext 16
    case 0xda: // str 16
    case 0xdc: // array 16
    case 0xde: // map 16
      return 2;
    case 0xc6: // bin 32
    case 0xc9: // ext 32
    case 0xdb: // str 32
    case 0xdd: // array 32
    case 0xdf: // map 32
      return 4;
    default:
      return 0;
  }
}

function readLength(view: DataView, at: number, fieldBytes: number): number {
  if (fieldBytes === 1) return view.getUint8(at);
  if (fieldBytes === 2) return view.getUint16(at);
  return fieldBytes === 4 ? view.getUint32(at) : 0;
}

/** Bytes between the header and the next value; `length` is what the length field holds. */
function payloadBytes(head: number, length: number): number {
  if (head >= 0xa0 && head <= 0xbf) return head - 0xa0; // fixstr
  if (head >= 0xc4 && head <= 0xc6) return length; // bin
  if (head >= 0xc7 && head <= 0xc9) return 1 + length; // ext: type, then its data
  if (head >= 0xca && head <= 0xcb) return 4 << (head - 0xca); // float 32, 64
  if (head >= 0xcc && head <= 0xcf) return 1 << (head - 0xcc); // uint 8 to 64
  if (head >= 0xd0 && head <= 0xd3) return 1 << (head - 0xd0); // int 8 to 64
  if (head >= 0xd4 && head <= 0xd8) return 1 + (1 << (head - 0xd4)); // fixext 1 to 16
  return head >= 0xd9 && head <= 0xdb ? length : 0; // str
}

/** Values inside an array or a map: a map of n entries holds 2n. */
function childCount(head: number, length: number): number {
  if (head >= 0x80 && head <= 0x8f) return 2 * (head - 0x80); // fixmap
  if (head >= 0x90 && head <= 0x9f) return head - 0x90; // fixarray
  if (head === 0xdc || head === 0xdd) return length;
  return head === 0xde || head === 0xdf ? 2 * length : 0;
}

function isRare(head: number): boolean {
  const isInt64 = head === 0xcf || head === 0xd3;
  const isExtension = (head >= 0xc7 && head <= 0xc9) || (head >= 0xd4 && head <= 0xd8);
  return isInt64 || isExtension;
}
