// Fields of frames: most significant byte first (BRIDGE.md, section 1).

const U8_MAX = 0xff;
const U16_MAX = 0xffff;
const U32_MAX = 0xffff_ffff;

export function joinBytes(...parts: readonly (Uint8Array | readonly number[])[]): Uint8Array {
  const bytes = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let at = 0;
  for (const part of parts) {
    bytes.set(part, at);
    at += part.length;
  }
  return bytes;
}

/**
 * A value that an encoder was given, if it is in its range.
 * @throws RangeError if it is not, or no whole number: our own mistake
 */
export function within(name: string, value: number, min: number, max: number): number {
  if (Number.isInteger(value) && value >= min && value <= max) return value;
  throw new RangeError(`${name} is ${value}: it must be a whole number from ${min} to ${max}.`);
}

/** @throws RangeError */
export function u8(name: string, value: number, min = 0, max = U8_MAX): number {
  return within(name, value, min, max);
}

/** @throws RangeError */
export function u16Bytes(name: string, value: number, min = 0, max = U16_MAX): number[] {
  within(name, value, min, max);
  return [value >>> 8, value & 0xff];
}

/** @throws RangeError */
export function u32Bytes(name: string, value: number, min = 0): number[] {
  within(name, value, min, U32_MAX);
  return [value >>> 24, (value >>> 16) & 0xff, (value >>> 8) & 0xff, value & 0xff];
}

export function readU16(bytes: Uint8Array, at: number): number {
  return (bytes[at]! << 8) | bytes[at + 1]!;
}

export function readU32(bytes: Uint8Array, at: number): number {
  return ((readU16(bytes, at) << 16) | readU16(bytes, at + 2)) >>> 0;
}

/** A text as UTF-8, shortened to `bytesMax` without cutting a character in two. */
export function textBytes(text: string, bytesMax: number): Uint8Array {
  const bytes = new TextEncoder().encode(text);
  return bytes.subarray(0, wholeCharacters(bytes, bytesMax));
}

/** UTF-8 as text, as {@link textBytes} would shorten it; what is no UTF-8 becomes U+FFFD. */
export function readText(bytes: Uint8Array, bytesMax: number): string {
  const end = wholeCharacters(bytes, bytesMax);
  return new TextDecoder("utf-8", { ignoreBOM: true }).decode(bytes.subarray(0, end));
}

/** Where to cut so that no character is cut in two: before a byte that continues none. */
function wholeCharacters(bytes: Uint8Array, bytesMax: number): number {
  if (bytes.length <= bytesMax) return bytes.length;
  // A character has three continuing bytes at most: what has more is no UTF-8 and may be cut.
  for (let end = bytesMax; end > bytesMax - 4 && end >= 0; end--) {
    if ((bytes[end]! & 0xc0) !== 0x80) return end;
  }
  return bytesMax;
}
