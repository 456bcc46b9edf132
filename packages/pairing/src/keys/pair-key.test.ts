import { hkdfSync } from "node:crypto";
import { inspect } from "node:util";
import { SALT_BYTES } from "@fardel/core";
import { expand, extract } from "@noble/hashes/hkdf.js";
import { sha256 } from "@noble/hashes/sha2.js";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { OpenSslPairKey } from "../../../../test/openssl-pair-key.js";
import { createPairKey } from "./pair-key.js";

const hex = (text: string) => Uint8Array.from(Buffer.from(text, "hex"));
const filled = (length: number, from: number) => Uint8Array.from({ length }, (_, at) => from + at);

const bytes = (length: number) => fc.uint8Array({ minLength: length, maxLength: length });
const name = fc.record({
  token: fc.integer({ min: 0, max: 0xffff_ffff }),
  salt: bytes(SALT_BYTES),
});

describe("HKDF of the registry's library", () => {
  // RFC 5869, appendix A, test cases 1 to 3 (from memory; OpenSSL confirms each).
  it.each([
    [
      filled(0, 0),
      new Uint8Array(22).fill(0x0b),
      filled(13, 0),
      filled(10, 0xf0),
      42,
      "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865",
    ],
    [
      filled(0, 0),
      filled(80, 0),
      filled(80, 0x60),
      filled(80, 0xb0),
      82,
      "b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c59045a99cac7827271cb41c65e590e09da3275600c2f09b8367793a9aca3db71cc30c58179ec3e87c14c01d5c1f3434f1d87",
    ],
    [
      filled(0, 0),
      new Uint8Array(22).fill(0x0b),
      new Uint8Array(0),
      new Uint8Array(0),
      42,
      "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8",
    ],
  ])("RFC 5869, appendix A (case %#)", (_, secret, salt, info, length, expected) => {
    expect(expand(sha256, extract(sha256, secret, salt), info, length)).toEqual(hex(expected));
    const second = new Uint8Array(hkdfSync("sha256", secret, salt, info, length));
    expect(second).toEqual(hex(expected));
  });
});

describe("a pair key", () => {
  it("gives the same datagrams as one made of OpenSSL's parts", () => {
    const sides = fc.constantFrom(["initiator", 0] as const, ["responder", 1] as const);
    const arbitrary = fc.tuple(bytes(32), sides, fc.boolean(), name, name, bytes(13), bytes(60));
    fc.assert(
      fc.property(arbitrary, ([secret, [side, number], isOwn, from, to, nonce, text]) => {
        const one = text.slice();
        const other = text.slice();
        createPairKey(secret, side).directionKey(isOwn, from, to).seal(one, 3, 52, nonce);
        new OpenSslPairKey(secret, number).directionKey(isOwn, from, to).seal(other, 3, 52, nonce);
        expect(one).toEqual(other);
      }),
    );
  });

  it("of one side opens what that of the other side seals, and nothing of its own", () => {
    const secret = filled(32, 1);
    const initiator = createPairKey(secret, "initiator");
    const responder = createPairKey(secret, "responder");
    const [from, to] = [
      { token: 1, salt: filled(12, 1) },
      { token: 2, salt: filled(12, 2) },
    ];
    const datagram = filled(40, 0);
    const nonce = filled(13, 9);
    initiator.directionKey(true, from, to).seal(datagram, 3, 32, nonce);
    const opened = responder.directionKey(false, from, to).open(datagram, 3, nonce);
    expect(opened).toEqual(filled(29, 3));
    expect(initiator.directionKey(false, from, to).open(datagram, 3, nonce)).toBeUndefined();
    for (const [isOwn, one, other] of [
      [false, to, from],
      [false, from, { ...to, token: 3 }],
      [false, from, { ...to, salt: filled(12, 3) }],
      [false, { ...from, salt: filled(12, 3) }, to],
      [true, from, to],
    ] as const)
      expect(responder.directionKey(isOwn, one, other).open(datagram, 3, nonce)).toBeUndefined();
  });

  it("keeps its secret to itself, and gives it to whoever asks by name", () => {
    const secret = new Uint8Array(32).fill(0xab);
    const key = createPairKey(secret, "responder");
    expect(key.exportSecret()).toEqual(secret);
    expect(key.side).toBe("responder");
    const shown = [
      String(key),
      JSON.stringify({ key }),
      inspect(key, { showHidden: true, depth: 9 }),
    ];
    for (const text of shown) expect(text).not.toMatch(/171|ab, ?ab|abab|q6ur/i);
    // Its own copy, both ways.
    secret.fill(0);
    key.exportSecret().fill(1);
    expect(key.exportSecret()).toEqual(new Uint8Array(32).fill(0xab));
  });

  it("refuses secrets of another length and unknown sides", () => {
    for (const length of [0, 16, 31, 33])
      expect(() => createPairKey(new Uint8Array(length), "initiator")).toThrow(/32 bytes/);
    expect(() => createPairKey(new Uint8Array(32), "both" as "initiator")).toThrow(/Side both/);
  });
});
