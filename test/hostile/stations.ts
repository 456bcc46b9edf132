import { keyOf } from "./forge.js";

/** Addresses of everybody in the arena but the attacker's many. */
export const VICTIM = Uint8Array.of(2, 0, 0, 0, 0, 1);
/** A good peer that talks all the time. */
export const GOOD = Uint8Array.of(2, 0, 0, 0, 0, 2);
/** A good peer that says nothing while the attack lasts, and must not be forgotten. */
export const IDLE = Uint8Array.of(2, 0, 0, 0, 0, 3);
/** The attacker's radio; its datagrams name other sources. */
export const ATTACKER = Uint8Array.of(2, 0, 0, 0, 0, 4);

const OURS: ReadonlySet<string> = new Set([keyOf(VICTIM), keyOf(GOOD), keyOf(IDLE)]);

/** Whether this is the address of the victim or one of its good peers. */
export function isOurs(address: Uint8Array): boolean {
  return OURS.has(keyOf(address));
}
