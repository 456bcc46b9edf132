import { p256 } from "@noble/curves/nist.js";
import { expand, extract } from "@noble/hashes/hkdf.js";
import { hmac } from "@noble/hashes/hmac.js";
import { sha256 } from "@noble/hashes/sha2.js";
import { concatBytes } from "@noble/hashes/utils.js";

/** Bytes of pA and pB: points of P-256, uncompressed. */
export const SPAKE2_SHARE_BYTES = 65;
/** Bytes of cA and cB. */
export const SPAKE2_PROOF_BYTES = 32;
/** Random bytes from which a scalar is made: 128 bits more than it has, so that it is as good as uniform. */
export const SPAKE2_SEED_BYTES = 48;

const { Point } = p256;
const { Fn } = Point;
/** The two points of RFC 9382, section 4, for P-256. */
const M = Point.fromHex("02886e2f97ace46e55ba9dd7242579f2993b64e16ef3dcab95afd497333d8fa12f");
const N = Point.fromHex("03d8bbd6c639c62937b04d997f38c3770719c629d7014d49a24b4f98baa1292b49");
const CONFIRMATION = new TextEncoder().encode("ConfirmationKeys");
const NOTHING = new Uint8Array(0);
/** Bytes of Ke, and of each half of a hash. */
const HALF_BYTES = 16;

/** What both sides know. */
export interface Spake2Setting {
  /** 32 bytes, most significant first: the password, as a scalar from 1 to the group's order less 1. */
  readonly w: Uint8Array;
  readonly nameA: Uint8Array;
  readonly nameB: Uint8Array;
}

/** What comes of it: the same on both sides if both had the same password, names and additional data. */
export interface Spake2Result {
  /** Ke, 16 bytes. */
  readonly key: Uint8Array;
  /** cA, which A sends. */
  readonly proofA: Uint8Array;
  /** cB, which B sends. */
  readonly proofB: Uint8Array;
}

/**
 * One side of a password-authenticated key exchange, suite P256-SHA256-HKDF-HMAC: whoever does not have the
 * password learns nothing from it but whether one guess was right.
 * @see RFC 9382, sections 3 and 4
 */
export class Spake2 {
  /** pA or pB, 65 bytes, to be sent. */
  readonly share: Uint8Array;
  readonly #side: "A" | "B";
  readonly #scalar: bigint;
  readonly #w: bigint;

  /**
   * @param w - see {@link Spake2Setting.w}
   * @param scalar - 32 bytes, random, from 1 to the group's order less 1: see {@link randomScalar}
   */
  constructor(side: "A" | "B", w: Uint8Array, scalar: Uint8Array) {
    this.#side = side;
    this.#w = Fn.fromBytes(w);
    this.#scalar = Fn.fromBytes(scalar);
    const blind = (side === "A" ? M : N).multiply(this.#w);
    this.share = Point.BASE.multiply(this.#scalar).add(blind).toBytes(false);
  }

  /**
   * @param peerShare - pB or pA
   * @param additional - what both have to agree on besides ("additional data")
   * @returns nothing if the share is no point of the curve, or one that no honest peer sends
   */
  finish(
    { w, nameA, nameB }: Spake2Setting,
    peerShare: Uint8Array,
    additional: Uint8Array = NOTHING,
  ): Spake2Result | undefined {
    const isA = this.#side === "A";
    const shared = this.#agree(peerShare);
    if (!shared) return undefined;
    const [shareA, shareB] = isA ? [this.share, peerShare] : [peerShare, this.share];
    const transcript = concatBytes(...[nameA, nameB, shareA, shareB, shared, w].flatMap(prefixed));
    const hash = sha256(transcript);
    const extracted = extract(sha256, hash.subarray(HALF_BYTES), NOTHING);
    const info = concatBytes(CONFIRMATION, additional);
    const confirmation = expand(sha256, extracted, info, 2 * HALF_BYTES);
    return {
      key: hash.slice(0, HALF_BYTES),
      proofA: hmac(sha256, confirmation.subarray(0, HALF_BYTES), transcript),
      proofB: hmac(sha256, confirmation.subarray(HALF_BYTES), transcript),
    };
  }

  /** K, the point that both reach. P-256 has no small subgroups: a point of the curve is one of the group. */
  #agree(peerShare: Uint8Array): Uint8Array | undefined {
    try {
      // Throws for what is not on the curve. The identity has no uncompressed form.
      const point = Point.fromBytes(peerShare);
      if (peerShare.length !== SPAKE2_SHARE_BYTES) return undefined;
      const blind = (this.#side === "A" ? N : M).multiply(this.#w);
      const unblinded = point.subtract(blind);
      // Whoever sends the blinding point alone would know K.
      if (unblinded.is0()) return undefined;
      return unblinded.multiply(this.#scalar).toBytes(false);
    } catch {
      return undefined;
    }
  }
}

/** @param seed - {@link SPAKE2_SEED_BYTES} random bytes @returns 32 bytes, from 1 to the group's order less 1 */
export function randomScalar(seed: Uint8Array): Uint8Array {
  return p256.utils.randomSecretKey(seed);
}

/** Bytes of any length, read as a number, modulo the order of the group: 32 bytes, most significant first. */
export function scalarModuloOrder(bytes: Uint8Array): Uint8Array {
  let value = 0n;
  for (const byte of bytes) value = (value << 8n) | BigInt(byte);
  return Fn.toBytes(Fn.create(value));
}

/** Whether these are 32 bytes of a scalar that can be a password: not 0, and below the group's order. */
export function isScalar(bytes: Uint8Array): boolean {
  return p256.utils.isValidSecretKey(bytes);
}

/** Its length, 8 bytes, least significant first, and the bytes: section 3.3. */
function prefixed(bytes: Uint8Array): [Uint8Array, Uint8Array] {
  const length = new Uint8Array(8);
  new DataView(length.buffer).setUint32(0, bytes.length, true);
  return [length, bytes];
}
