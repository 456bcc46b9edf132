import type { Address } from "@fardel/core";

const DIGITS = Array.from({ length: 256 }, (_, byte) => byte.toString(16).padStart(2, "0"));

/** An address as a key: `02000000000b`. */
export function hex(address: Address): string {
  let text = "";
  for (const byte of address) text += DIGITS[byte] ?? "";
  return text;
}

/** An address for people, where nobody says how its link writes them: `02:00:00:00:00:0b`. */
export function colonHex(address: Address): string {
  return Array.from(address, (byte) => DIGITS[byte] ?? "").join(":");
}
