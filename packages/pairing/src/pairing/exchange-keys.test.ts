import {
  createHash,
  createHmac,
  createPrivateKey,
  createPublicKey,
  diffieHellman,
  hkdfSync,
} from "node:crypto";
import { x25519 } from "@noble/curves/ed25519.js";
import { describe, expect, it } from "vitest";
import { createPairKey } from "../keys/pair-key.js";
import { ADDRESS_A, ADDRESS_B, ExchangePair } from "./exchange-pair.js";
import { STEP } from "./pair-body.js";

const hex = (text: string) => Uint8Array.from(Buffer.from(text, "hex"));
const toHex = (bytes: Uint8Array | undefined) => Buffer.from(bytes ?? []).toString("hex");

/** X25519 by OpenSSL, keys in the DER of RFC 8410. */
function openSslAgree(secret: Uint8Array, share: Uint8Array): Uint8Array {
  const privateKey = createPrivateKey({
    key: Buffer.concat([hex("302e020100300506032b656e04220420"), secret]),
    format: "der",
    type: "pkcs8",
  });
  const publicKey = createPublicKey({
    key: Buffer.concat([hex("302a300506032b656e032100"), share]),
    format: "der",
    type: "spki",
  });
  return new Uint8Array(diffieHellman({ privateKey, publicKey }));
}

describe("X25519 of the registry's library", () => {
  // RFC 7748, sections 5.2 and 6.1 (from memory; OpenSSL confirms each).
  it.each([
    [
      "a546e36bf0527c9d3b16154b82465edd62144c0ac1fc5a18506a2244ba449ac4",
      "e6db6867583030db3594c1a424b15f7c726624ec26b3353b10a903a6d0ab1c4c",
      "c3da55379de9c6908e94ea4df28d084f32eccf03491c71f754b4075577a28552",
    ],
    [
      "4b66e9d4d1b4673c5ad22691957d6af5c11b6421e0ea01d42ca4169e7918ba0d",
      "e5210f12786811d3f4b7959d0538ae2c31dbe7106fc03c3efc4cd549c715a493",
      "95cbde9476e8907d7aade45cb4b873f88b595a68799fa152e6f8f7647aac7957",
    ],
    [
      "77076d0a7318a57d3c16c17251b26645df4c2f87ebc0992ab177fba51db92c2a",
      "de9edb7d7b7dc1b4d35b61c2ece435373f8343c85b78674dadfc7e146f882b4f",
      "4a5d9d5ba4ce2de1728e3bf480350f25e07e21c947d19e3376f09b3c1e161742",
    ],
  ])("agrees (case %#)", (secret, share, expected) => {
    const agreed = x25519.getSharedSecret(hex(secret), hex(share));
    expect(agreed).toEqual(openSslAgree(hex(secret), hex(share)));
    if (expected) expect(toHex(agreed)).toBe(expected);
  });

  it("gives the same after 1,000 rounds: RFC 7748, section 5.2", () => {
    let k = hex(`09${"00".repeat(31)}`);
    let u = k;
    for (let round = 1; round <= 1000; round++) {
      const next = x25519.getSharedSecret(k, u);
      u = k;
      k = next;
      if (round === 1)
        expect(toHex(k)).toBe("422c8e7a6227d7bca1350b3e2bb7279f7897b87bb6854b783c60e80311ae3079");
    }
    expect(toHex(k)).toBe("684cf59ba83309552800ef566f2f4d3c1c3887c49360e3875f2eb94d99532c51");
  });
});

describe("the keys of an exchange, worked out anew with OpenSSL from what was said and drawn", () => {
  it.each(["cable", "compare", "renew"] as const)("%s", (way) => {
    const old = new Uint8Array(32).fill(9);
    const pair = new ExchangePair({ seed: 11 });
    if (way === "renew") {
      pair.ringA.set(ADDRESS_B, createPairKey(old, "initiator"));
      pair.ringB.set(ADDRESS_A, createPairKey(old, "responder"));
    }
    pair.pair(way);
    const bodyOf = (step: number) => pair.log.find(({ body }) => body[0] === step)!.body;
    const [offer, answer] = [bodyOf(STEP.offer), bodyOf(STEP.answer)];
    const [x, y] = pair.draws.filter(({ length }) => length === 32) as [Uint8Array, Uint8Array];
    const shareY = answer.subarray(5, 37);
    const revealed = way === "compare" ? bodyOf(STEP.proof).subarray(5, 37) : new Uint8Array(0);
    const T = createHash("sha256")
      .update(offer.subarray(1))
      .update(answer.subarray(1))
      .update(revealed)
      .digest();
    let secret = Buffer.concat([offer.subarray(6, 22), answer.subarray(5, 21)]);
    if (way !== "cable") secret = Buffer.from(openSslAgree(x, shareY));
    if (way === "renew") {
      expect(toHex(openSslAgree(y, offer.subarray(6, 38)))).toBe(toHex(secret));
      secret = Buffer.concat([secret, old]);
    }
    const derive = (label: string, bytes: number) =>
      Buffer.from(hkdfSync("sha256", secret, T, label, bytes));
    const tag = (side: string, step: number) =>
      toHex(
        createHmac("sha256", derive(`fardel ${side}`, 32))
          .update(Uint8Array.of(step))
          .digest(),
      ).slice(0, 32);
    expect(toHex(pair.ringA.record(ADDRESS_B)?.keys[0]?.exportSecret())).toBe(
      toHex(derive("fardel pair key", 32)),
    );
    if (way !== "compare") expect(toHex(bodyOf(STEP.proof).subarray(5))).toBe(tag("initiator", 3));
    expect(toHex(bodyOf(STEP.check).subarray(5))).toBe(tag("responder", 4));
    expect(toHex(bodyOf(STEP.kept).subarray(5))).toBe(tag("initiator", 5));
    expect(toHex(bodyOf(STEP.done).subarray(5))).toBe(tag("responder", 6));
    if (way !== "compare") return;
    const digits = derive("fardel short code", 4).readUInt32BE() % 1_000_000;
    expect(pair.shortCodes).toEqual(Array(2).fill(String(digits).padStart(6, "0")));
    const commitment = createHash("sha256")
      .update("fardel compare")
      .update(offer.subarray(1, 5))
      .update(revealed)
      .digest("hex");
    expect(toHex(offer.subarray(6, 38))).toBe(commitment);
  });
});
