import { invalidOption } from "../pairing-error.js";

/** Bytes of a name in OFFER and ANSWER. */
export const PAIR_NAME_BYTES_MAX = 16;

const decoder = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });

/**
 * A name as it goes on the wire.
 * @throws {@link PairingError} `invalid-option`
 */
export function encodeName(name: string): Uint8Array {
  const bytes = new TextEncoder().encode(name);
  if (bytes.length <= PAIR_NAME_BYTES_MAX) return bytes;
  const why = `${JSON.stringify(name)} has ${bytes.length} bytes, ${PAIR_NAME_BYTES_MAX} are allowed`;
  throw invalidOption("name", why);
}

/** @returns nothing if it is not UTF-8 */
export function decodeName(bytes: Uint8Array): string | undefined {
  try {
    return decoder.decode(bytes);
  } catch {
    return undefined;
  }
}
