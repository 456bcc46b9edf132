const DIGITS = Array.from({ length: 256 }, (_, byte) => byte.toString(16).padStart(2, "0"));

/** `0a1b` */
export function toHex(bytes: Uint8Array): string {
  let text = "";
  for (const byte of bytes) text += DIGITS[byte]!;
  return text;
}

/** @returns `undefined` if it is anything else than pairs of hexadecimal digits */
export function fromHex(text: string): Uint8Array | undefined {
  if (text.length % 2 !== 0 || !/^[0-9a-f]*$/i.test(text)) return undefined;
  const bytes = new Uint8Array(text.length / 2);
  for (let index = 0; index < bytes.length; index++) {
    bytes[index] = Number.parseInt(text.slice(2 * index, 2 * index + 2), 16);
  }
  return bytes;
}
