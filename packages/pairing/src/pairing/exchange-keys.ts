import { expand, extract } from "@noble/hashes/hkdf.js";
import { hmac } from "@noble/hashes/hmac.js";
import { sha256 } from "@noble/hashes/sha2.js";
import { concatBytes } from "@noble/hashes/utils.js";
import { createPairKey, PAIR_KEY_BYTES, type PairSide, type SharedKey } from "../keys/pair-key.js";
import { STEP, type Step, TRANSCRIPT_OFFSET } from "./pair-body.js";
import { TAG_BYTES } from "./way.js";

/** Values that a short code has. */
const SHORT_CODES = 1_000_000;
const SHORT_CODE_DIGITS = 6;
const SHORT_CODE_BYTES = 4;
const SIDE_KEY_BYTES = 32;

/**
 * T: what both sides have said so far, hashed.
 * @param offer - its whole body, also what lies behind the known fields; so `answer`
 * @param revealed - for compare: X
 * @see PROTOCOL.md, section 16.2
 */
export function transcriptOf(
  offer: Uint8Array,
  answer: Uint8Array,
  revealed: Uint8Array = new Uint8Array(0),
): Uint8Array {
  const parts = [offer.subarray(TRANSCRIPT_OFFSET), answer.subarray(TRANSCRIPT_OFFSET), revealed];
  return sha256(concatBytes(...parts));
}

/** What follows from the transcript and the secret that both sides have reached. PROTOCOL.md, section 16.2. */
export class ExchangeKeys {
  readonly #extracted: Uint8Array;

  constructor(transcript: Uint8Array, secret: Uint8Array) {
    this.#extracted = extract(sha256, secret, transcript);
  }

  /** The new pair key, for this side. */
  pairKey(side: PairSide): SharedKey {
    return createPairKey(this.#expand("fardel pair key", PAIR_KEY_BYTES), side);
  }

  /** What proves that its sender knows the keys, and when it says so. */
  tag(side: PairSide, step: Step): Uint8Array {
    const key = this.#expand(`fardel ${side}`, SIDE_KEY_BYTES);
    return hmac(sha256, key, Uint8Array.of(STEP[step])).slice(0, TAG_BYTES);
  }

  /** Six digits for a person to compare. */
  shortCode(): string {
    const bytes = this.#expand("fardel short code", SHORT_CODE_BYTES);
    const value = new DataView(bytes.buffer, bytes.byteOffset).getUint32(0);
    return String(value % SHORT_CODES).padStart(SHORT_CODE_DIGITS, "0");
  }

  #expand(label: string, bytes: number): Uint8Array {
    return expand(sha256, this.#extracted, new TextEncoder().encode(label), bytes);
  }
}
