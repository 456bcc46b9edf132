const encoder = new TextEncoder();
const decoder = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });

/** UTF-8 of a text. */
export function encodeText(text: string): Uint8Array {
  return encoder.encode(text);
}

/** @returns nothing if the bytes are not UTF-8 */
export function decodeText(bytes: Uint8Array): string | undefined {
  try {
    return decoder.decode(bytes);
  } catch {
    return undefined;
  }
}

/** As much of UTF-8 text as fits, cut between characters (code points). */
export function cutText(bytes: Uint8Array, bytesMax: number): Uint8Array {
  if (bytes.length <= bytesMax) return bytes;
  let end = Math.max(0, bytesMax);
  // 10xxxxxx goes on with a character that began before (RFC 3629, section 3).
  while (end > 0 && (bytes[end]! & 0xc0) === 0x80) end--;
  return bytes.subarray(0, end);
}
