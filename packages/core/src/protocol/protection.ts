type Address = Uint8Array;

/**
 * What the endpoint needs from whoever keeps keys and knows ciphers: the core has neither.
 * PROTOCOL.md, section 17; `@fardel/pairing` implements it.
 */
export interface Protection {
  /**
   * The pair keys for an address, the one in use first, then the newest; few (section 16.3). None: the peer is
   * spoken to in plain. `revoked`: it is not spoken to at all. Asked for each datagram: keep it cheap.
   */
  keysFor(address: Address): readonly PairKey[] | "revoked";
  /**
   * A datagram was right under this key. Older ones are not needed any more (section 16.3); a key that is gone is
   * passed over. Called for each datagram that names tokens, from inside its handling: do not
   * call the endpoint.
   */
  noteRight(address: Address, key: PairKey): void;
  /**
   * Tell when keys for an address were set, taken away or revoked by their owner: sessions under keys that
   * are not there any more end. What {@link Protection.noteRight} changes need not be told.
   */
  watch(listener: (address: Address) => void): void;
}

/** A key that two sides share, and on which of them this is. */
export interface PairKey {
  /**
   * The key of one direction of one session.
   * @param isOwn - the datagrams are this side's
   * @param from - who sends them
   * @param to - who receives them
   */
  directionKey(isOwn: boolean, from: SessionName, to: SessionName): DirectionKey;
}

/** What one side calls a session: 128 random bits in all. */
export interface SessionName {
  /** `u32`; 0: not known, or NO-SESSION. */
  readonly token: number;
  /** 12 bytes. */
  readonly salt: Uint8Array;
}

/** Encrypts and checks the datagrams of one direction: AES-CCM, tag of {@link TAG_BYTES}. */
export interface DirectionKey {
  /**
   * Encrypts `bytes` from `from` to `to` in place, and puts the tag behind.
   * @param bytes - the datagram; what lies before `from` is only authenticated
   * @param nonce - 13 bytes, never twice with the same key
   */
  seal(bytes: Uint8Array, from: number, to: number, nonce: Uint8Array): void;
  /**
   * The frames of a datagram in plain, as an array of their own; `undefined`: the tag is wrong.
   * @param datagram - whole, tag included; it is not changed
   * @param from - bytes before the frames
   */
  open(datagram: Uint8Array, from: number, nonce: Uint8Array): Uint8Array | undefined;
}

export { TAG_BYTES } from "../wire/head.js";

/** Bytes of a salt. */
export const SALT_BYTES = 12;
/** Smallest MTU of a link for protected sessions, bytes. */
export const PROTECTED_MTU_MIN = 48;
