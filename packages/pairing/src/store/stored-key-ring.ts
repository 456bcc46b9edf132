import { type KeyChange, KeyRing, type KeyRingOptions } from "../keys/key-ring.js";
import { createPairKey } from "../keys/pair-key.js";
import { addressText, isSameAddress } from "./address-text.js";
import type { PairedPeer, PeerStore } from "./paired-peer.js";
import { checkName, freeName, nameForAddress } from "./peer-text.js";
import { StoreError } from "./store-error.js";

/** How keys are taken from a store. */
export interface StoredKeyRingOptions extends KeyRingOptions {
  /** Milliseconds since 1970. Default: the system's clock. */
  readonly nowMs?: () => number;
}

/**
 * A key ring with all that a store holds, which keeps in the store whatever changes. A pairing waits until a key is stored
 * before it tells the board anything that relies on it.
 * @throws {@link StoreError}
 */
export async function openStoredKeyRing(
  store: PeerStore,
  options: StoredKeyRingOptions = {},
): Promise<KeyRing> {
  const { nowMs = Date.now, ...ringOptions } = options;
  const ring = new KeyRing(ringOptions);
  for (const peer of await store.read()) {
    const { address, name, keys, usedIndex, revokedMs } = peer;
    const isRevoked = revokedMs !== undefined;
    if (keys.length === 0 && !isRevoked) continue;
    const shared = keys.map(({ secret, side }) => createPairKey(secret, side));
    ring.restore({ address, name, keys: shared, usedIndex, isRevoked });
  }
  const revoked = new Set(ring.records().filter(isRevokedRecord).map(textOf));
  ring.onChange(async (change) => {
    const text = textOf(change);
    let isRevokedElsewhere = false;
    await store.change((peers) => {
      const known = peers.find((peer) => isSameAddress(peer.address, change.address));
      isRevokedElsewhere = known?.revokedMs !== undefined && !revoked.has(text);
      return isRevokedElsewhere ? peers : keep(peers, change, nowMs());
    });
    if (isRevokedElsewhere || change.record?.isRevoked) revoked.add(text);
    else revoked.delete(text);
    // Another program has revoked it: what goes on here with its old keys must not undo that.
    if (isRevokedElsewhere) ring.revoke(change.address);
  });
  return ring;
}

const isRevokedRecord = ({ isRevoked }: { readonly isRevoked: boolean }) => isRevoked;
const textOf = ({ address }: { readonly address: Uint8Array }) => addressText(address);

/** What the store holds after a change of keys: names, times and the rest stay as they are. */
function keep(
  peers: readonly PairedPeer[],
  { address, record }: KeyChange,
  nowMs: number,
): readonly PairedPeer[] {
  const known = peers.find((peer) => isSameAddress(peer.address, address));
  const others = peers.filter((peer) => peer !== known);
  if (!record) return others;
  const { revokedMs, ...rest } = known ?? newcomer(address, record.name, others, nowMs);
  const peer: PairedPeer = {
    ...rest,
    keys: record.keys.map((key) => ({ secret: key.exportSecret(), side: key.side })),
    usedIndex: record.keys.length > 0 ? record.usedIndex : 0,
    lastSeenMs: nowMs,
    ...(record.isRevoked && { revokedMs: revokedMs ?? nowMs }),
  };
  return [...others, peer];
}

function newcomer(
  address: Uint8Array,
  claimed: string,
  others: readonly PairedPeer[],
  nowMs: number,
): PairedPeer {
  const names = new Set(others.map(({ name }) => name));
  const name = freeName(isName(claimed) ? claimed : nameForAddress(address), names);
  return {
    address: address.slice(),
    name,
    keys: [],
    usedIndex: 0,
    firstSeenMs: nowMs,
    lastSeenMs: nowMs,
  };
}

/** What the board calls itself may be anything. */
function isName(claimed: string): boolean {
  try {
    checkName(claimed);
    return true;
  } catch (error) {
    if (error instanceof StoreError) return false;
    throw error;
  }
}
