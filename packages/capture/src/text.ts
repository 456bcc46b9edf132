const ENCODER = new TextEncoder();
/** What is not UTF-8 gives U+FFFD. */
const DECODER = new TextDecoder();

/** At most so many bytes of UTF-8; a longer text is cut between characters. */
export function cutUtf8(text: string, bytesMax: number): Uint8Array {
  const bytes = new Uint8Array(bytesMax);
  return bytes.slice(0, ENCODER.encodeInto(text, bytes).written);
}

export function textOf(bytes: Uint8Array): string {
  return DECODER.decode(bytes);
}

export function hexOf(bytes: Uint8Array): string {
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** `undefined`: that is no hexadecimal of whole bytes. */
export function bytesOfHex(text: string): Uint8Array | undefined {
  if (text.length % 2 !== 0 || !/^[0-9a-f]*$/i.test(text)) return undefined;
  return Uint8Array.from({ length: text.length / 2 }, (_, index) =>
    Number.parseInt(text.slice(2 * index, 2 * index + 2), 16),
  );
}
