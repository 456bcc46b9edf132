import {
  createCipheriv,
  createDecipheriv,
  createHash,
  createPrivateKey,
  createPublicKey,
  diffieHellman,
} from "node:crypto";
import {
  add,
  BASE,
  bytesOfPoint,
  M,
  multiply,
  N,
  negative,
  numberOf,
  type Point,
  pointOf,
} from "./p256.js";

/** What `harness/crypto-told.c` calls back for. */
const TOLD = {
  sha256: 100,
  seal: 101,
  open: 102,
  x25519: 103,
  spake2Share: 104,
  spake2Secret: 105,
} as const;
const FAILED = -1;
const KEY_BYTES = 16;
const NONCE_BYTES = 13;
const TAG_BYTES = 8;
const SCALAR_BYTES = 32;
/** Before the bytes of a key of X25519 in DER; RFC 8410, sections 4 and 7. */
const PKCS8 = Buffer.from("302e020100300506032b656e04220420", "hex");
const SPKI = Buffer.from("302a300506032b656e032100", "hex");

/** What was encrypted, before that: key and nonce in hex, and the datagram without its tag. */
export type SealWitness = (keyAndNonce: string, plain: Uint8Array, sealed: Uint8Array) => void;

/**
 * The ciphers that a harness asks its test for, by OpenSSL; SPAKE2 by what stands in `p256.ts`.
 * @returns `undefined` if it has asked for something else
 */
export function answerCiphers(
  what: number,
  value: number,
  told: Uint8Array,
  witness?: SealWitness,
): number | Uint8Array | undefined {
  switch (what) {
    case TOLD.sha256:
      return Uint8Array.from(createHash("sha256").update(told).digest());
    case TOLD.seal:
      return seal(told, value, witness);
    case TOLD.open:
      return open(told, value);
    case TOLD.x25519:
      return x25519(told.subarray(0, SCALAR_BYTES), told.subarray(SCALAR_BYTES));
    case TOLD.spake2Share:
      return spake2Share(told);
    case TOLD.spake2Secret:
      return spake2Secret(told);
    default:
      return undefined;
  }
}

/** Key, nonce, text, head. */
function seal(told: Uint8Array, bytes: number, witness: SealWitness | undefined): Uint8Array {
  const textAt = KEY_BYTES + NONCE_BYTES;
  const [key, nonce] = [told.subarray(0, KEY_BYTES), told.subarray(KEY_BYTES, textAt)];
  const text = told.subarray(textAt, textAt + bytes);
  const head = told.subarray(textAt + bytes);
  const cipher = createCipheriv("aes-128-ccm", key, nonce, { authTagLength: TAG_BYTES });
  cipher.setAAD(head, { plaintextLength: bytes });
  const secret = cipher.update(text);
  cipher.final();
  const sealed = Uint8Array.from([...secret, ...cipher.getAuthTag()]);
  const keyAndNonce = `${Buffer.from(key).toString("hex")} ${Buffer.from(nonce).toString("hex")}`;
  witness?.(
    keyAndNonce,
    Uint8Array.from([...head, ...text]),
    Uint8Array.from([...head, ...sealed]),
  );
  return sealed;
}

/** Key, nonce, text, tag, head. */
function open(told: Uint8Array, bytes: number): Uint8Array | number {
  const textAt = KEY_BYTES + NONCE_BYTES;
  const [key, nonce] = [told.subarray(0, KEY_BYTES), told.subarray(KEY_BYTES, textAt)];
  const tagAt = textAt + bytes;
  const decipher = createDecipheriv("aes-128-ccm", key, nonce, { authTagLength: TAG_BYTES });
  decipher.setAuthTag(told.subarray(tagAt, tagAt + TAG_BYTES));
  decipher.setAAD(told.subarray(tagAt + TAG_BYTES), { plaintextLength: bytes });
  try {
    const plain = decipher.update(told.subarray(textAt, tagAt));
    decipher.final();
    return Uint8Array.from(plain);
  } catch {
    return FAILED;
  }
}

/** For a point of small order zeros, as RFC 7748 has it; OpenSSL refuses to say so. */
function x25519(scalar: Uint8Array, point: Uint8Array): Uint8Array {
  const der = (head: Buffer, bytes: Uint8Array) => Buffer.concat([head, bytes]);
  try {
    return Uint8Array.from(
      diffieHellman({
        privateKey: createPrivateKey({ key: der(PKCS8, scalar), format: "der", type: "pkcs8" }),
        publicKey: createPublicKey({ key: der(SPKI, point), format: "der", type: "spki" }),
      }),
    );
  } catch {
    return new Uint8Array(SCALAR_BYTES);
  }
}

/** `w` times M and N, by `w`: tests have few of them, and a multiplication takes 20 ms. */
const blinds = new Map<bigint, { readonly m: Point; readonly n: Point }>();

function blindsOf(w: bigint): { readonly m: Point; readonly n: Point } {
  const known = blinds.get(w) ?? { m: multiply(w, M), n: multiply(w, N) };
  blinds.set(w, known);
  return known;
}

/** w, scalar. */
function spake2Share(told: Uint8Array): Uint8Array {
  const [w, scalar] = [told.subarray(0, SCALAR_BYTES), told.subarray(SCALAR_BYTES)].map(numberOf);
  return bytesOfPoint(add(multiply(scalar!, BASE), blindsOf(w!).n));
}

/** w, scalar, the other side's share. */
function spake2Secret(told: Uint8Array): Uint8Array | number {
  const w = numberOf(told.subarray(0, SCALAR_BYTES));
  const scalar = numberOf(told.subarray(SCALAR_BYTES, 2 * SCALAR_BYTES));
  const share = pointOf(told.subarray(2 * SCALAR_BYTES));
  const unblinded = share && add(share, negative(blindsOf(w).m));
  return unblinded ? bytesOfPoint(multiply(scalar, unblinded)) : FAILED;
}
