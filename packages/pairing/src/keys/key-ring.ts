import type { Address, PairKey, Protection } from "@fardel/core";
import { invalidOption, PairingError } from "../pairing-error.js";
import type { SharedKey } from "./pair-key.js";

/** What a key ring holds for one address; a copy. */
export interface KeyRecord {
  readonly address: Uint8Array;
  /** What the other side called itself when it was paired; "" if it did not say. Anybody's text: show it with care. */
  readonly name: string;
  /** Oldest first, at most {@link KEYS_MAX}; more than one until the other side is known to have the newest. */
  readonly keys: readonly SharedKey[];
  /** Index in `keys` of the one under which sessions are opened. */
  readonly usedIndex: number;
  /** It is not spoken to at all; there are no keys. */
  readonly isRevoked: boolean;
}

/** Something was changed for an address. */
export interface KeyChange {
  readonly address: Uint8Array;
  /** What is there now; left out: nothing, the address was forgotten. */
  readonly record?: KeyRecord;
}

/**
 * Told of each change, in order. A store that returns a promise is waited for before the other side is told
 * anything that relies on the change. Do not call the endpoint from here.
 */
export type KeyChangeListener = (change: KeyChange) => void | Promise<void>;

/** What a key ring can be told. */
export interface KeyRingOptions {
  /** Addresses held. When full: `ring-full`, nothing is forgotten. Default 16384. */
  readonly addressesMax?: number;
}

/**
 * Keys held for one address: the last one that both sides are known to have, and three of later exchanges that
 * were cut off. When full: the second oldest goes.
 */
export const KEYS_MAX = 4;
const ADDRESSES_MAX = 16384;
const ADDRESS_BYTES_MAX = 255;
const NO_KEYS: readonly PairKey[] = [];

interface Entry {
  readonly address: Uint8Array;
  name: string;
  keys: readonly SharedKey[];
  used: number;
  isRevoked: boolean;
  /** What `keysFor` answers, made at each change. */
  answer: readonly PairKey[] | "revoked";
}

/**
 * The pair keys of one endpoint, in memory: its `protection`. PROTOCOL.md, sections 16.3 and 17.
 *
 * ```ts
 * const ring = new KeyRing();
 * const gateway = await Endpoint.open({ link, protection: ring });
 * await pair(gateway, address, { way: "code", code, ring });
 * ```
 */
export class KeyRing implements Protection {
  readonly #addressesMax: number;
  readonly #entries = new Map<string, Entry>();
  readonly #watchers = new Set<(address: Address) => void>();
  readonly #listeners = new Set<KeyChangeListener>();
  readonly #saving = new Set<Promise<void>>();
  #failure: { readonly cause: unknown } | undefined;
  /** Datagrams come in bursts from one address: its text need not be made each time. */
  #last: Entry | undefined;

  /** @throws {@link PairingError} `invalid-option` */
  constructor(options: KeyRingOptions = {}) {
    const { addressesMax = ADDRESSES_MAX } = options;
    if (!Number.isSafeInteger(addressesMax) || addressesMax < 1)
      throw invalidOption("addressesMax", `${addressesMax} is not a whole number above 0`);
    this.#addressesMax = addressesMax;
  }

  // What the endpoint asks for and tells

  keysFor(address: Address): readonly PairKey[] | "revoked" {
    return this.#find(address)?.answer ?? NO_KEYS;
  }

  noteRight(address: Address, key: PairKey): void {
    const entry = this.#find(address);
    if (entry && settle(entry, key)) this.#note(entry);
  }

  watch(listener: (address: Address) => void): void {
    this.#watchers.add(listener);
  }

  // What its owner, and a pairing, do with it

  /** Number of addresses held, the revoked ones too. */
  get size(): number {
    return this.#entries.size;
  }

  /** What is held for an address. */
  record(address: Address): KeyRecord | undefined {
    const entry = this.#find(address);
    return entry && recordOf(entry);
  }

  /** All that is held. */
  records(): KeyRecord[] {
    return Array.from(this.#entries.values(), recordOf);
  }

  /**
   * This key, and no other: for keys that came on another way than by pairing.
   * @throws {@link PairingError} `ring-full`, `invalid-option`
   */
  set(address: Address, key: SharedKey, name?: string): void {
    this.#change(address, name, (entry) => {
      entry.keys = [key];
      entry.used = 0;
    });
  }

  /**
   * Use this key from now on, beside those before: what the initiator of a pairing does when the responder is known
   * to have it.
   * @throws {@link PairingError} `ring-full`, `invalid-option`
   */
  setNewer(address: Address, key: SharedKey, name?: string): void {
    this.#change(address, name, (entry) => {
      entry.keys = added(entry.keys, key);
      entry.used = entry.keys.length - 1;
    });
  }

  /**
   * Understand this key from now on, and go on using the one before, if there is one: what the responder of a
   * pairing does before the initiator can use it.
   * @throws {@link PairingError} `ring-full`, `invalid-option`
   */
  setPending(address: Address, key: SharedKey, name?: string): void {
    this.#change(address, name, (entry) => {
      const used = entry.keys[entry.used];
      entry.keys = added(entry.keys, key, used);
      entry.used = used ? entry.keys.indexOf(used) : entry.keys.length - 1;
    });
  }

  /** Both sides have this key: it is the one in use, older ones are forgotten. One that is gone is passed over. */
  settle(address: Address, key: SharedKey): void {
    const entry = this.#find(address);
    if (!entry || !settle(entry, key)) return;
    this.#note(entry);
    this.#tellWatchers(entry.address);
  }

  /**
   * Speak no more with whoever is at this address, and keep that in mind; its keys are forgotten. Pairing with it
   * again, or {@link KeyRing.forget}, ends that.
   * @throws {@link PairingError} `ring-full`, `invalid-option`
   */
  revoke(address: Address): void {
    this.#change(address, undefined, (entry) => {
      entry.keys = [];
      entry.used = 0;
      entry.isRevoked = true;
    });
  }

  /** Know nothing of this address any more: it is spoken to in plain. @returns whether it was known */
  forget(address: Address): boolean {
    const entry = this.#find(address);
    if (!entry) return false;
    this.#entries.delete(addressKey(address));
    this.#last = undefined;
    this.#tellListeners({ address: entry.address.slice() });
    this.#tellWatchers(entry.address);
    return true;
  }

  /**
   * Put back what a store had kept, in place of what is there; no listener of changes is told.
   * @throws {@link PairingError} `ring-full`, `invalid-option`
   */
  restore({ address, name, keys, usedIndex, isRevoked }: KeyRecord): void {
    const isSound = isRevoked
      ? keys.length === 0
      : keys.length <= KEYS_MAX && keys[usedIndex] !== undefined;
    if (!isSound) throw invalidOption("record", "its keys do not fit together");
    const entry = this.#obtain(address);
    Object.assign(entry, { name, keys: [...keys], used: usedIndex, isRevoked });
    refresh(entry);
    this.#tellWatchers(entry.address);
  }

  /** Be told of each change. @returns a function that ends it */
  onChange(listener: KeyChangeListener): () => void {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  /**
   * Resolves when all that was changed so far is stored.
   * @throws {@link PairingError} `not-stored`, with the store's error as `cause`
   */
  async saved(): Promise<void> {
    while (this.#saving.size > 0) await Promise.all(this.#saving);
    const failure = this.#failure;
    this.#failure = undefined;
    if (!failure) return;
    const sentence = "The keys could not be stored. Mend the store, then pair again.";
    throw new PairingError("not-stored", sentence, failure);
  }

  toJSON(): string {
    return this.toString();
  }

  toString(): string {
    return `[key ring of ${this.size} addresses]`;
  }

  #find(address: Address): Entry | undefined {
    const last = this.#last;
    if (last && isSame(last.address, address)) return last;
    const found = this.#entries.get(addressKey(address));
    if (found) this.#last = found;
    return found;
  }

  #obtain(address: Address): Entry {
    if (
      !(address instanceof Uint8Array) ||
      address.length < 1 ||
      address.length > ADDRESS_BYTES_MAX
    )
      throw invalidOption("address", `it is not a Uint8Array of 1 to ${ADDRESS_BYTES_MAX} bytes`);
    const known = this.#find(address);
    if (known) return known;
    if (this.#entries.size >= this.#addressesMax) {
      const sentence = `The key ring is full: it holds ${this.#addressesMax} addresses. Forget some, or raise addressesMax.`;
      throw new PairingError("ring-full", sentence);
    }
    const entry: Entry = {
      address: address.slice(),
      name: "",
      keys: [],
      used: 0,
      isRevoked: false,
      answer: NO_KEYS,
    };
    this.#entries.set(addressKey(address), entry);
    return entry;
  }

  #change(address: Address, name: string | undefined, change: (entry: Entry) => void): void {
    const entry = this.#obtain(address);
    entry.isRevoked = false;
    change(entry);
    entry.name = name ?? entry.name;
    this.#note(entry);
    this.#tellWatchers(entry.address);
  }

  #note(entry: Entry): void {
    refresh(entry);
    this.#tellListeners({ address: entry.address.slice(), record: recordOf(entry) });
  }

  #tellWatchers(address: Uint8Array): void {
    for (const watcher of this.#watchers) watcher(address);
  }

  #tellListeners(change: KeyChange): void {
    for (const listener of this.#listeners) {
      try {
        const saving = listener(change);
        if (saving) this.#track(saving);
      } catch (cause) {
        this.#failure ??= { cause };
      }
    }
  }

  #track(saving: Promise<void>): void {
    const tracked = saving
      .catch((cause: unknown) => {
        this.#failure ??= { cause };
      })
      .then(() => {
        this.#saving.delete(tracked);
      });
    this.#saving.add(tracked);
  }
}

/** Older keys than one that both sides have are not needed. @returns whether something changed */
function settle(entry: Entry, key: PairKey): boolean {
  const keys: readonly PairKey[] = entry.keys;
  const index = keys.indexOf(key);
  if (index <= 0) return false;
  entry.keys = entry.keys.slice(index);
  entry.used = Math.max(0, entry.used - index);
  return true;
}

function added(keys: readonly SharedKey[], key: SharedKey, used?: SharedKey): SharedKey[] {
  const kept = keys.filter((each) => each !== key);
  while (kept.length >= KEYS_MAX) {
    // The oldest is the one that both sides are known to have had.
    kept.splice(kept[1] === used ? 2 : 1, 1);
  }
  return [...kept, key];
}

/** The one in use first, then from the newest to the oldest. */
function refresh(entry: Entry): void {
  const used = entry.keys[entry.used];
  const others = entry.keys.filter((key) => key !== used).reverse();
  entry.answer = entry.isRevoked ? "revoked" : used ? [used, ...others] : NO_KEYS;
}

function recordOf({ address, name, keys, used, isRevoked }: Entry): KeyRecord {
  return { address: address.slice(), name, keys, usedIndex: used, isRevoked };
}

/** Text that is equal for equal addresses: one character a byte. */
export function addressKey(address: Uint8Array): string {
  return String.fromCharCode(...address);
}

export function isSame(one: Uint8Array, other: Uint8Array): boolean {
  if (one.length !== other.length) return false;
  for (let at = 0; at < one.length; at++) if (one[at] !== other[at]) return false;
  return true;
}
