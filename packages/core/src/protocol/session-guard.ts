import type { ByteWriter } from "../wire/byte-writer.js";
import { LONG_HEAD_BYTES, PROTECTED_LONG_HEAD_BYTES, TAG_BYTES } from "../wire/head.js";
import { type DirectionKey, type PairKey, SALT_BYTES, type SessionName } from "./protection.js";

/** Bytes that a protected short datagram spends beyond a plain one: the tag for the CRC. */
export const PROTECTED_EXTRA_BYTES = 6;
/** Bytes of a protected NO-SESSION datagram. */
export const PROTECTED_NO_SESSION_BYTES = PROTECTED_LONG_HEAD_BYTES + 1 + TAG_BYTES;

const NO_SALT = new Uint8Array(SALT_BYTES);
/** Whoever is not known yet, and the sender of NO-SESSION. */
const NOBODY: SessionName = { token: 0, salt: NO_SALT };
const NONCE_BYTES = 13;

/** Whose datagram was right, under which key. */
export interface ProtectedSender {
  readonly salt: Uint8Array;
  readonly key: PairKey;
}

/** The keys of one protected session. PROTOCOL.md, section 17. */
export class SessionGuard {
  readonly own: SessionName;
  #key: PairKey;
  #peer: SessionName = NOBODY;
  #sending: DirectionKey;
  #receiving: DirectionKey | undefined;

  constructor(token: number, random: () => number, key: PairKey) {
    const salt = new Uint8Array(SALT_BYTES);
    const view = new DataView(salt.buffer);
    for (let at = 0; at < SALT_BYTES; at += 4) view.setUint32(at, random() >>> 0);
    this.own = { token, salt };
    this.#key = key;
    this.#sending = key.directionKey(true, this.own, NOBODY);
  }

  get key(): PairKey {
    return this.#key;
  }

  /** The peer's token and salt have become known, from a datagram that was right under a key. */
  adopt(token: number, { salt, key }: ProtectedSender): void {
    this.#key = key;
    this.#peer = { token, salt: salt.slice() };
    this.#sending = key.directionKey(true, this.own, this.#peer);
    this.#receiving = key.directionKey(false, this.#peer, this.own);
  }

  /** The peer's token is not, or not any more, what it was taken for. */
  forgetPeer(): void {
    this.#peer = NOBODY;
    this.#sending = this.#key.directionKey(true, this.own, NOBODY);
    this.#receiving = undefined;
  }

  /** Encrypts a datagram that is written up to `out.at`. @returns all of it, as a view of the writer's array */
  seal(out: ByteWriter, headBytes: number, number: number): Uint8Array {
    this.#sending.seal(out.bytes, headBytes, out.at, nonceOf(number, this.#peer.token));
    out.at += TAG_BYTES;
    return out.bytes.subarray(0, out.at);
  }

  /** The frames of a short datagram; `undefined`: it is forged, damaged or of another session. */
  openShort(datagram: Uint8Array, headBytes: number, number: number): Uint8Array | undefined {
    return this.#receiving?.open(datagram, headBytes, nonceOf(number, this.own.token));
  }

  /** The key of what somebody of this name sends to us; made anew unless it is the peer. */
  receivingKey(from: SessionName, key: PairKey): DirectionKey {
    const isPeer =
      key === this.#key && from.token === this.#peer.token && isSame(from.salt, this.#peer.salt);
    return (isPeer ? this.#receiving : undefined) ?? key.directionKey(false, from, this.own);
  }

  /** A long datagram to this session. */
  openLong(datagram: Uint8Array, from: SessionName, number: number, key: PairKey) {
    const nonce = nonceOf(number, this.own.token);
    return this.receivingKey(from, key).open(datagram, PROTECTED_LONG_HEAD_BYTES, nonce);
  }
}

/** An opening, whose sender does not know whom it will reach. */
export function openOpening(
  datagram: Uint8Array,
  from: SessionName,
  number: number,
  key: PairKey,
): Uint8Array | undefined {
  const direction = key.directionKey(false, from, NOBODY);
  return direction.open(datagram, PROTECTED_LONG_HEAD_BYTES, nonceOf(number, 0));
}

/** NO-SESSION to one of our tokens. */
export function openNoSession(
  datagram: Uint8Array,
  tokenTo: number,
  number: number,
  key: PairKey,
): Uint8Array | undefined {
  const direction = key.directionKey(false, NOBODY, { token: tokenTo, salt: NO_SALT });
  const nonce = nonceOf(number, tokenTo, refusedTokenOf(datagram));
  return direction.open(datagram, PROTECTED_LONG_HEAD_BYTES, nonce);
}

/** Encrypts NO-SESSION, written up to `out.at`: the same words give the same bytes, others another nonce. */
export function sealNoSession(
  out: ByteWriter,
  tokenTo: number,
  number: number,
  key: PairKey,
): Uint8Array {
  const direction = key.directionKey(true, NOBODY, { token: tokenTo, salt: NO_SALT });
  const nonce = nonceOf(number, tokenTo, refusedTokenOf(out.bytes));
  direction.seal(out.bytes, PROTECTED_LONG_HEAD_BYTES, out.at, nonce);
  out.at += TAG_BYTES;
  return out.bytes.subarray(0, out.at);
}

/** What stands in place of a salt in NO-SESSION: the token that its sender does not have. */
export function saltOfNoSession(refusedToken: number): Uint8Array {
  const salt = new Uint8Array(SALT_BYTES);
  new DataView(salt.buffer).setUint32(0, refusedToken);
  return salt;
}

/** The token that the sender of NO-SESSION does not have; 0: it answers an opening. */
export function refusedTokenOf(datagram: Uint8Array): number {
  const view = new DataView(datagram.buffer, datagram.byteOffset, datagram.length);
  return view.getUint32(LONG_HEAD_BYTES);
}

function nonceOf(number: number, tokenTo: number, refusedToken = 0): Uint8Array {
  const nonce = new Uint8Array(NONCE_BYTES);
  const view = new DataView(nonce.buffer);
  view.setUint32(0, number);
  view.setUint32(4, tokenTo);
  view.setUint32(8, refusedToken);
  return nonce;
}

function isSame(one: Uint8Array, other: Uint8Array): boolean {
  return one.length === other.length && one.every((byte, at) => byte === other[at]);
}
