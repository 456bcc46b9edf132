import { SPAKE2_PROOF_BYTES, SPAKE2_SHARE_BYTES } from "./spake2.js";

/**
 * How two sides make sure of each other; PROTOCOL.md, section 16.1.
 *
 * - `cable`: nobody else is on the link, because it is a cable.
 * - `code`: the claim code that is printed on the board.
 * - `compare`: a person compares six digits on both sides.
 * - `renew`: the key that both have already.
 */
export type PairingWay = "cable" | "code" | "compare" | "renew";

/** What is different on the wire. */
interface WayFormat {
  /** `u8` in OFFER. */
  readonly number: number;
  /** Bytes of the share in OFFER and ANSWER. */
  readonly shareBytes: number;
  readonly proofBytes: number;
  readonly checkBytes: number;
}

/** Bytes of a tag, and of an X25519 public key. */
export const TAG_BYTES = 16;
export const X25519_BYTES = 32;

export const WAY_FORMATS: Readonly<Record<PairingWay, WayFormat>> = {
  cable: { number: 1, shareBytes: 16, proofBytes: TAG_BYTES, checkBytes: TAG_BYTES },
  code: {
    number: 2,
    shareBytes: SPAKE2_SHARE_BYTES,
    proofBytes: SPAKE2_PROOF_BYTES,
    checkBytes: SPAKE2_PROOF_BYTES,
  },
  compare: {
    number: 3,
    shareBytes: X25519_BYTES,
    proofBytes: X25519_BYTES,
    checkBytes: TAG_BYTES,
  },
  renew: { number: 4, shareBytes: X25519_BYTES, proofBytes: TAG_BYTES, checkBytes: TAG_BYTES },
};

export const PAIRING_WAYS: readonly PairingWay[] = ["cable", "code", "compare", "renew"];

export function wayOfNumber(number: number | undefined): PairingWay | undefined {
  return PAIRING_WAYS.find((way) => WAY_FORMATS[way].number === number);
}
