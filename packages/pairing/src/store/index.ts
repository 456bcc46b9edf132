export { addressText, parseAddressText } from "./address-text.js";
export { MemoryPeerStore } from "./memory-store.js";
export type { PairedPeer, PeerStore, StoredKey } from "./paired-peer.js";
export { findPeer, PeerBook } from "./peer-book.js";
export { nameForAddress, readPeers, writePeers } from "./peer-text.js";
export { StoreError, type StoreErrorCode } from "./store-error.js";
export { openStoredKeyRing, type StoredKeyRingOptions } from "./stored-key-ring.js";
