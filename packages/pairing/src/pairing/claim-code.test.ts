import { scryptSync } from "node:crypto";
import { scrypt } from "@noble/hashes/scrypt.js";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { claimSecret, claimSecretSync, makeClaimCode, normalizeClaimCode } from "./claim-code.js";

const P256_ORDER = 0xffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632551n;

describe("claim codes", () => {
  it("are ten characters that cannot be taken for each other", () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 10, maxLength: 10 }), (draws) => {
        const code = makeClaimCode(() => draws);
        expect(code).toMatch(/^[0-9A-HJKMNP-TV-Z]{5}-[0-9A-HJKMNP-TV-Z]{5}$/);
        expect(normalizeClaimCode(code)).toBe(code.replace("-", ""));
      }),
    );
  });

  it("use each character equally often", () => {
    const all = Uint8Array.from({ length: 256 }, (_, at) => at);
    const counts = new Map<string, number>();
    for (let at = 0; at < 256; at++) {
      const first = makeClaimCode(() => all.slice(at, at + 1))[0]!;
      counts.set(first, (counts.get(first) ?? 0) + 1);
    }
    expect(counts.size).toBe(32);
    expect(new Set(counts.values())).toEqual(new Set([8]));
    expect(makeClaimCode()).not.toBe(makeClaimCode());
  });

  it.each([
    ["7k3vd-q0zxa", "7K3VDQ0ZXA"],
    ["  7K3VD Q0ZXA\n", "7K3VDQ0ZXA"],
    ["7-K-3-V-D\u2013Q\u00a00ZXA", "7K3VDQ0ZXA"],
    ["iIlL1-oO000", "1111100000"],
  ])("are read as people type them: %j", (typed, code) => {
    expect(normalizeClaimCode(typed)).toBe(code);
  });

  it.each([
    ["", /has 10 characters, this one has 0\. Read the label again/],
    ["7K3VD-Q0ZX", /this one has 9/],
    ["7K3VD-Q0ZXAA", /this one has 11/],
    ["7K3VD-Q0ZXU", /There is no "U" in a claim code/],
    ["7K3VD-Q0Z\u00c4A", /no "\u00c4"/],
    ["7K3VD-Q0Z\u{1f34e}", /no "\u{1f34e}"/u],
    ["7K3VD-\u001b0ZXA", /no "\\u001b"/],
  ])("that are none are refused: %j", (typed, sentence) => {
    expect(() => normalizeClaimCode(typed)).toThrow(sentence);
    expect(() => normalizeClaimCode(typed)).toThrow(
      expect.objectContaining({ code: "bad-claim-code" }),
    );
  });

  it("give the secret that OpenSSL's scrypt gives, modulo the order of the group", async () => {
    const secret = await claimSecret("7k3vd-qOzxa");
    const maxmem = 64 * 1024 * 1024;
    const long = scryptSync("7K3VDQ0ZXA", "fardel claim code", 40, {
      N: 32768,
      r: 8,
      p: 1,
      maxmem,
    });
    const expected = BigInt(`0x${long.toString("hex")}`) % P256_ORDER;
    expect(BigInt(`0x${Buffer.from(secret).toString("hex")}`)).toBe(expected);
    expect(secret).toHaveLength(32);
    expect(claimSecretSync("7K3VDQ0ZXA")).toEqual(secret);
    await expect(claimSecret("7")).rejects.toMatchObject({ code: "bad-claim-code" });
  });
});

describe("scrypt of the registry's library", () => {
  // RFC 7914, section 12 (from memory; OpenSSL confirms each).
  it.each([
    [
      "",
      "",
      16,
      1,
      1,
      "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442fcd0069ded0948f8326a753a0fc81f17e8d3e0fb2e0d3628cf35e20c38d18906",
    ],
    [
      "password",
      "NaCl",
      1024,
      8,
      16,
      "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b3731622eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640",
    ],
    [
      "pleaseletmein",
      "SodiumChloride",
      16384,
      8,
      1,
      "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887",
    ],
  ] as const)("RFC 7914, section 12: %j", (password, salt, N, r, p, expected) => {
    const maxmem = 64 * 1024 * 1024;
    const bytes = Uint8Array.from(Buffer.from(expected, "hex"));
    expect(scrypt(password, salt, { N, r, p, dkLen: 64 })).toEqual(bytes);
    expect(new Uint8Array(scryptSync(password, salt, 64, { N, r, p, maxmem }))).toEqual(bytes);
  });
});
