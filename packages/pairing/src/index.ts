/**
 * Finding boards, pairing with the right one, and keeping others out.
 *
 * @packageDocumentation
 */

export * from "./keys/index.js";
export { PairingError, type PairingErrorCode } from "./pairing-error.js";
export * from "./store/index.js";
