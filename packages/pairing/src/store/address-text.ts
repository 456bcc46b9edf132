/** An address as people write it: `02:00:00:00:00:0b`. */
export function addressText(address: Uint8Array): string {
  return Array.from(address, (byte) => byte.toString(16).padStart(2, "0")).join(":");
}

/** Reads what {@link addressText} writes, also with `-` or without separators. `undefined`: it is none. */
export function parseAddressText(text: string): Uint8Array | undefined {
  const isSpaced = /^[0-9a-f]{1,2}([:-][0-9a-f]{1,2})*$/i.test(text) && /[:-]/.test(text);
  const isPlain = /^([0-9a-f]{2})+$/i.test(text);
  if (!isSpaced && !isPlain) return undefined;
  const bytes = isSpaced ? text.split(/[:-]/) : (text.match(/../g) ?? []);
  return bytes.length > 255 ? undefined : Uint8Array.from(bytes, (hex) => Number.parseInt(hex, 16));
}

export function isSameAddress(one: Uint8Array, other: Uint8Array): boolean {
  return one.length === other.length && one.every((byte, at) => byte === other[at]);
}
