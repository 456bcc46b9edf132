import { createHash } from "node:crypto";
import type { Address } from "@fardel/core";
import { makeClaimCode } from "@fardel/pairing";

/**
 * The claim code on the label of a simulated board. Invented, and always the same for an address: anybody can work it
 * out, so it protects nothing.
 */
export function inventedClaimCode(address: Address): string {
  const digest = createHash("sha256").update("invented label").update(address).digest();
  return makeClaimCode((bytes) => digest.subarray(0, bytes));
}
