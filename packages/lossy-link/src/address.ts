import type { Address } from "@fardel/core";

/** An address as a key of a `Map`. Two addresses have the same key only if their bytes are equal. */
export type AddressKey = number | string;

/** Up to 6 bytes fit into a number, together with their count. Longer ones become a string. */
export function addressKey(address: Address): AddressKey {
  const length = address.length;
  if (length > 6) return String.fromCharCode(...address);
  let key = length;
  for (let index = 0; index < length; index++) key = key * 256 + address[index]!;
  return key;
}

export function sameAddress(one: Address, other: Address): boolean {
  const length = one.length;
  if (other.length !== length) return false;
  for (let index = 0; index < length; index++) {
    if (one[index] !== other[index]) return false;
  }
  return true;
}

/** The usual notation, `02:00:00:00:00:0a`: for logs, and for naming streams of random numbers. */
export function formatAddress(address: Address): string {
  return Array.from(address, (byte) => byte.toString(16).padStart(2, "0")).join(":");
}
