export {
  CLAIM_CODE_CHARACTERS,
  CLAIM_SECRET_BYTES,
  claimSecret,
  claimSecretSync,
  makeClaimCode,
  normalizeClaimCode,
} from "./claim-code.js";
export { type Paired, type PairOptions, type PairStep, pair } from "./pair.js";
export {
  type OpenPairingModeOptions,
  type OpenWay,
  openPairingMode,
  PAIRING_MODE_US,
  type PairedWith,
  PairingHost,
  type PairingHostOptions,
  type PairingModeSettings,
} from "./pairing-host.js";
export { WRONG_PROOFS_MAX } from "./responder.js";
export {
  type ConfirmShortCode,
  PAIRING_MTU_MIN,
  type PairingEndpoint,
  type PairingEnvironment,
  type ShortCodeQuestion,
} from "./setting.js";
export type { PairingWay } from "./way.js";
