import { createCipheriv, createDecipheriv, hkdfSync } from "node:crypto";
import {
  type DirectionKey,
  type PairKey,
  type SessionName,
  TAG_BYTES,
} from "../packages/core/src/protocol/protection.js";

const ZERO = Buffer.alloc(0);
const LABEL = "fardel session";

/** Told before a datagram is encrypted: its key and nonce in hex, and the datagram without its tag. */
export type SealWitness = (keyAndNonce: string, datagram: Uint8Array) => void;

/**
 * A pair key of PROTOCOL.md, section 17, with OpenSSL's AES-CCM (RFC 3610) and HKDF (RFC 5869): written apart from
 * `@fardel/pairing`, so that each checks the other.
 */
export class OpenSslPairKey implements PairKey {
  /**
   * @param secret - 32 bytes
   * @param side - 0 initiated the pairing, 1 responded
   */
  constructor(
    readonly secret: Uint8Array,
    readonly side: 0 | 1,
    readonly witness?: SealWitness,
  ) {}

  directionKey(isOwn: boolean, from: SessionName, to: SessionName): DirectionKey {
    const info = Buffer.alloc(LABEL.length + 1 + 32);
    info.write(LABEL);
    let at = LABEL.length;
    info[at++] = isOwn ? this.side : 1 - this.side;
    for (const { token, salt } of [from, to]) {
      at = info.writeUInt32BE(token, at);
      info.set(salt, at);
      at += salt.length;
    }
    const key = Buffer.from(hkdfSync("sha256", this.secret, ZERO, info, 16));
    return {
      seal: (bytes, headBytes, end, nonce) => this.#seal(key, bytes, headBytes, end, nonce),
      open: (datagram, headBytes, nonce) => open(key, datagram, headBytes, nonce),
    };
  }

  #seal(key: Buffer, bytes: Uint8Array, headBytes: number, end: number, nonce: Uint8Array): void {
    const keyAndNonce = `${key.toString("hex")} ${Buffer.from(nonce).toString("hex")}`;
    this.witness?.(keyAndNonce, bytes.slice(0, end));
    const cipher = createCipheriv("aes-128-ccm", key, nonce, { authTagLength: TAG_BYTES });
    cipher.setAAD(bytes.subarray(0, headBytes), { plaintextLength: end - headBytes });
    bytes.set(cipher.update(bytes.subarray(headBytes, end)), headBytes);
    cipher.final();
    bytes.set(cipher.getAuthTag(), end);
  }
}

function open(
  key: Buffer,
  datagram: Uint8Array,
  headBytes: number,
  nonce: Uint8Array,
): Uint8Array | undefined {
  const end = datagram.length - TAG_BYTES;
  const decipher = createDecipheriv("aes-128-ccm", key, nonce, { authTagLength: TAG_BYTES });
  decipher.setAuthTag(datagram.subarray(end));
  decipher.setAAD(datagram.subarray(0, headBytes), { plaintextLength: end - headBytes });
  try {
    const plain = decipher.update(datagram.subarray(headBytes, end));
    decipher.final();
    return Uint8Array.from(plain);
  } catch {
    return undefined;
  }
}
