/**
 * Finding boards, pairing with the right one, and keeping others out.
 *
 * @packageDocumentation
 */

export * from "./discovery/index.js";
export * from "./keys/index.js";
export * from "./pairing/index.js";
export { PairingError, type PairingErrorCode } from "./pairing-error.js";
export * from "./store/index.js";
