import { type DirectionKey, type PairKey, SALT_BYTES, type SessionName } from "@fardel/core";
import { expand, extract } from "@noble/hashes/hkdf.js";
import { sha256 } from "@noble/hashes/sha2.js";
import { PairingError } from "../pairing-error.js";
import { AesCcm, CCM_KEY_BYTES } from "./aes-ccm.js";

/** Bytes of the secret of a pair key. */
export const PAIR_KEY_BYTES = 32;
/** Who of the two sides of a pair key started the pairing. */
export type PairSide = "initiator" | "responder";

const LABEL = new TextEncoder().encode("fardel session");
const SIDE_BYTE: Readonly<Record<PairSide, number>> = { initiator: 0, responder: 1 };
const NAME_BYTES = 4 + SALT_BYTES;

/**
 * A pair key of PROTOCOL.md, section 17. It shows its secret to nobody who does not ask for it: not
 * in logs, not in JSON.
 */
export class SharedKey implements PairKey {
  /** On which side this is. */
  readonly side: PairSide;
  readonly #secret: Uint8Array;
  readonly #extracted: Uint8Array;

  /** Use {@link createPairKey}. */
  constructor(secret: Uint8Array, side: PairSide) {
    if (!(secret instanceof Uint8Array) || secret.length !== PAIR_KEY_BYTES) {
      throw new PairingError("invalid-option", `A pair key has ${PAIR_KEY_BYTES} bytes.`);
    }
    if (!Object.hasOwn(SIDE_BYTE, side)) {
      const sentence = `Side ${String(side)} is neither "initiator" nor "responder".`;
      throw new PairingError("invalid-option", sentence);
    }
    this.side = side;
    this.#secret = secret.slice();
    this.#extracted = extract(sha256, this.#secret, new Uint8Array(0));
  }

  directionKey(isOwn: boolean, from: SessionName, to: SessionName): DirectionKey {
    const side = SIDE_BYTE[this.side];
    const info = new Uint8Array(LABEL.length + 1 + 2 * NAME_BYTES);
    info.set(LABEL);
    info[LABEL.length] = isOwn ? side : 1 - side;
    writeName(info, LABEL.length + 1, from);
    writeName(info, LABEL.length + 1 + NAME_BYTES, to);
    return new AesCcm(expand(sha256, this.#extracted, info, CCM_KEY_BYTES));
  }

  /** The 32 bytes, to be stored where nobody else can read them. Whoever has them is the peer. */
  exportSecret(): Uint8Array {
    return this.#secret.slice();
  }

  toJSON(): string {
    return "[pair key]";
  }

  toString(): string {
    return "[pair key]";
  }
}

/**
 * A pair key from its secret.
 * @param secret - 32 bytes, copied
 * @param side - this side's part in the pairing from which it came; the peer has the other one
 * @throws {@link PairingError} `invalid-option`
 */
export function createPairKey(secret: Uint8Array, side: PairSide): SharedKey {
  return new SharedKey(secret, side);
}

function writeName(info: Uint8Array, at: number, { token, salt }: SessionName): void {
  new DataView(info.buffer).setUint32(at, token);
  info.set(salt.subarray(0, SALT_BYTES), at + 4);
}
