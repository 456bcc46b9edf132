import { scrypt, scryptAsync } from "@noble/hashes/scrypt.js";
import { PairingError } from "../pairing-error.js";
import { scalarModuloOrder } from "./spake2.js";

/** Characters of a claim code: without I, L, O and U. */
const ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/** Characters of a claim code, 5 bits each. */
export const CLAIM_CODE_CHARACTERS = 10;
/** Bytes of a claim secret. */
export const CLAIM_SECRET_BYTES = 32;

/** RFC 7914; the cost is paid once for each guess by whoever has recorded nothing but wants to try codes. PROTOCOL.md, section 16.1. */
const COST = { N: 32768, r: 8, p: 1, dkLen: 40 } as const;
const SALT = "fardel claim code";
/** What people type between characters, or a text program puts there. */
const BETWEEN = /[\s\u00ad\u200b\u2010-\u2015\u2212_.-]/gu;

/**
 * A new claim code, to be printed on a board: 50 random bits, as `7K3VD-Q0ZXA`.
 * @param random - gives that many random bytes; default: the platform's cryptographic source
 */
export function makeClaimCode(random: (bytes: number) => Uint8Array = cryptoRandom): string {
  const draws = random(CLAIM_CODE_CHARACTERS);
  // 256 is a multiple of 32: the low five bits are uniform.
  const characters = Array.from(draws, (draw) => ALPHABET[draw & 31]);
  return `${characters.slice(0, 5).join("")}-${characters.slice(5).join("")}`;
}

/**
 * A claim code as a person typed it, in the form that secrets are made of: ten capitals and digits without hyphen.
 * I and L are read as 1, O as 0.
 * @throws {@link PairingError} `bad-claim-code`
 */
export function normalizeClaimCode(typed: string): string {
  const code = typed.replace(BETWEEN, "").toUpperCase().replace(/[IL]/g, "1").replaceAll("O", "0");
  const wrong = Array.from(code).find((character) => !ALPHABET.includes(character));
  if (wrong !== undefined) {
    const sentence = `There is no ${JSON.stringify(wrong)} in a claim code. Read the label again: letters and digits, but never U.`;
    throw new PairingError("bad-claim-code", sentence);
  }
  if (code.length !== CLAIM_CODE_CHARACTERS) {
    const sentence = `A claim code has ${CLAIM_CODE_CHARACTERS} characters, this one has ${code.length}. Read the label again.`;
    throw new PairingError("bad-claim-code", sentence);
  }
  return code;
}

/**
 * The secret of a claim code, `w` of RFC 9382: all that a board needs to know of its code. Takes about a tenth of a
 * second, in slices.
 * @param code - as typed
 * @returns 32 bytes, most significant first
 * @throws {@link PairingError} `bad-claim-code`
 */
export async function claimSecret(code: string): Promise<Uint8Array> {
  return scalarModuloOrder(await scryptAsync(normalizeClaimCode(code), SALT, COST));
}

/** {@link claimSecret}, at once: for whoever prints labels. */
export function claimSecretSync(code: string): Uint8Array {
  return scalarModuloOrder(scrypt(normalizeClaimCode(code), SALT, COST));
}

function cryptoRandom(bytes: number): Uint8Array {
  return crypto.getRandomValues(new Uint8Array(bytes));
}
