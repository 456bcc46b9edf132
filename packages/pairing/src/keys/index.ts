export {
  KEYS_MAX,
  type KeyChange,
  type KeyChangeListener,
  type KeyRecord,
  KeyRing,
  type KeyRingOptions,
} from "./key-ring.js";
export { createPairKey, PAIR_KEY_BYTES, type PairSide, type SharedKey } from "./pair-key.js";
