import { createHash, randomBytes, timingSafeEqual } from "node:crypto";

/** Bytes of a token: 128 bits that nobody guesses. */
export const TOKEN_BYTES = 16;

/** What whoever looks must know. */
export class Token {
  readonly text = randomBytes(TOKEN_BYTES).toString("hex");
  readonly #digest = digest(this.text);

  /** By digests of one length: how long it takes tells nothing about the token. */
  isSame(text: string): boolean {
    return timingSafeEqual(digest(text), this.#digest);
  }
}

function digest(text: string): Buffer {
  return createHash("sha256").update(text).digest();
}
