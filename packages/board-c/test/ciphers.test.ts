import { createHmac, hkdfSync } from "node:crypto";
import fc from "fast-check";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { MBEDTLS } from "./support/build.js";
import type { CProgram } from "./support/c-program.js";
import { lacksCipherLibrary } from "./support/cipher-library.js";
import { nativeProgram } from "./support/native-program.js";
import { answerCiphers } from "./support/told-ciphers.js";
import { wasmProgram } from "./support/wasm-program.js";

const hex = (text: string) => Uint8Array.from(Buffer.from(text, "hex"));
const text = (ascii: string) => new TextEncoder().encode(ascii);
const counting = (bytes: number) => Uint8Array.from({ length: bytes }, (_, at) => at);

/** RFC 3610, section 8: those with a tag of 8 bytes that begin with these packets (from memory; two libraries agree). */
const CCM_KEY = hex("C0C1C2C3C4C5C6C7C8C9CACBCCCDCECF");
const CCM = [
  [
    "vector #1",
    "00000003020100A0A1A2A3A4A5",
    8,
    31,
    "588C979A61C663D2F066D0C2C0F989806D5F6B61DAC38417E8D12CFDF926E0",
  ],
  [
    "vector #2",
    "00000004030201A0A1A2A3A4A5",
    8,
    32,
    "72C91A36E135F8CF291CA894085C87E3CC15C439C9E43A3BA091D56E10400916",
  ],
  [
    "vector #4",
    "00000006050403A0A1A2A3A4A5",
    12,
    31,
    "A28C6865939A9A79FAAA5C4C2A9D4A91CDAC8C96C861B9C9E61EF1",
  ],
  [
    "vector #6",
    "00000008070605A0A1A2A3A4A5",
    12,
    33,
    "6FC1B011F006568B5171A42D953D469B2570A4BD87405A0443AC91CB94",
  ],
] as const;

/** RFC 7748, section 5.2 (from memory; two libraries agree): scalar, point, result. */
const X25519 = [
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
    "0900000000000000000000000000000000000000000000000000000000000000",
    "0900000000000000000000000000000000000000000000000000000000000000",
    "422c8e7a6227d7bca1350b3e2bb7279f7897b87bb6854b783c60e80311ae3079",
  ],
] as const;

/** draft-irtf-cfrg-spake2-24 (September 2021), which became RFC 9382, appendix B: w, y, pB, pA, K. */
const SPAKE2 = [
  [
    "2ee57912099d31560b3a44b1184b9b4866e904c49d12ac5042c97dca461b1a5f",
    "dcb60106f276b02606d8ef0a328c02e4b629f84f89786af5befb0bc75b6e66be",
    "0406557e482bd03097ad0cbaa5df82115460d951e3451962f1eaf4367a420676d09857ccbc522686c83d1852abfa8ed6e4a1155cf8f1543ceca528afb591a1e0b7",
    "04a56fa807caaa53a4d28dbb9853b9815c61a411118a6fe516a8798434751470f9010153ac33d0d5f2047ffdb1a3e42c9b4e6be662766e1eeb4116988ede5f912c",
    "0412af7e89717850671913e6b469ace67bd90a4df8ce45c2af19010175e37eed69f75897996d539356e2fa6a406d528501f907e04d97515fbe83db277b715d3325",
  ],
  [
    "0548d8729f730589e579b0475a582c1608138ddf7054b73b5381c7e883e2efae",
    "903023b6598908936ea7c929bd761af6039577a9c3f9581064187c3049d87065",
    "04e0f816fd1c35e22065d5556215c097e799390d16661c386e0ecc84593974a61b881a8c82327687d0501862970c64565560cb5671f696048050ca66ca5f8cc7fc",
    "04a897b769e681c62ac1c2357319a3d363f610839c4477720d24cbe32f5fd85f44fb92ba966578c1b712be6962498834078262caa5b441ecfa9d4a9485720e918a",
    "048f83ec9f6e4f87cc6f9dc740bdc2769725f923364f01c84148c049a39a735ebda82eac03e00112fd6a5710682767cff5361f7e819e53d8d3c3a2922e0d837aa6",
  ],
] as const;

const BACKENDS: readonly (readonly [string, boolean, () => CProgram])[] = [
  [
    "of examples/crypto-mbedtls.c",
    lacksCommands("gcc") || lacksCipherLibrary(),
    () => nativeProgram("pairing", "sanitized", [MBEDTLS]),
  ],
  ["that tests use", lacksCommands("clang", "wasm-ld"), () => wasmProgram("pairing")],
];

for (const [name, isLeftOut, open] of BACKENDS) {
  describe.skipIf(isLeftOut)(`the ciphers ${name}`, () => {
    let opened: CProgram | undefined;
    afterAll(() => opened?.close());

    /** What a cipher gives; nothing if it has failed. */
    const run = (name: string, ints: readonly number[], ...parts: readonly Uint8Array[]) => {
      opened ??= open();
      let result: Uint8Array | undefined;
      const input = Uint8Array.from(parts.flatMap((part) => [...part]));
      const listen = (what: number, value: number, told: Uint8Array) => {
        const answer = answerCiphers(what, value, told);
        if (answer === undefined) result = told;
        return answer ?? 0;
      };
      const status = opened.call(listen, name, ints, input);
      return status === 0 ? result : undefined;
    };

    it("SHA-256: FIPS 180-4, one block", () => {
      const digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
      for (let first = 0; first <= 3; first++)
        expect(run("cipher_sha256", [first, 3], text("abc"))).toEqual(hex(digest));
    });

    it.each([
      [new Uint8Array(20).fill(0x0b), "Hi There"],
      [text("Jefe"), "what do ya want for nothing?"],
    ])("HMAC: RFC 4231, section 4 (case %#), by OpenSSL", (key, message) => {
      const expected = Uint8Array.from(createHmac("sha256", key).update(message).digest());
      const ints = [key.length, key.length + message.length];
      expect(run("cipher_hmac", ints, key, text(message))).toEqual(expected);
    });

    it.each([
      [
        counting(13),
        Uint8Array.from({ length: 10 }, (_, at) => 0xf0 + at),
        "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf",
      ],
      [
        new Uint8Array(0),
        new Uint8Array(0),
        "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d",
      ],
    ])("HKDF: RFC 5869, appendix A, its first 32 bytes (case %#)", (salt, info, expected) => {
      const secret = new Uint8Array(22).fill(0x0b);
      const ints = [salt.length, secret.length, info.length, 32];
      const told = run("cipher_hkdf", ints, salt, secret, info);
      expect(told?.subarray(32)).toEqual(hex(expected));
      const second = new Uint8Array(hkdfSync("sha256", secret, salt, info, 32));
      expect(second).toEqual(hex(expected));
    });

    it.each(CCM)("AES-CCM: RFC 3610, section 8, %s", (_name, nonce, headBytes, bytes, sealed) => {
      const plain = counting(bytes);
      const [head, body] = [plain.subarray(0, headBytes), plain.subarray(headBytes)];
      const ints = [headBytes, body.length];
      const result = run("cipher_seal", ints, CCM_KEY, hex(nonce), head, body);
      expect(result).toEqual(hex(sealed));
      expect(run("cipher_open", ints, CCM_KEY, hex(nonce), head, hex(sealed))).toEqual(body);
      for (const at of [0, body.length - 1, body.length, sealed.length / 2 - 1]) {
        const wrong = hex(sealed);
        wrong[at]! ^= 1;
        expect(run("cipher_open", ints, CCM_KEY, hex(nonce), head, wrong)).toBeUndefined();
      }
    });

    it("AES-CCM gives what OpenSSL gives, for all lengths", () => {
      const bytes = (length: number) => fc.uint8Array({ minLength: length, maxLength: length });
      // At least one byte of text: of none at all OpenSSL makes no tag.
      const arbitrary = fc.tuple(
        ...[bytes(16), bytes(13), fc.uint8Array({ maxLength: 40 })],
        fc.uint8Array({ minLength: 1, maxLength: 300 }),
      );
      fc.assert(
        fc.property(arbitrary, ([key, nonce, head, body]) => {
          const told = Uint8Array.from([...key!, ...nonce!, ...body!, ...head!]);
          const expected = answerCiphers(101, body!.length, told) as Uint8Array;
          const ints = [head!.length, body!.length];
          expect(run("cipher_seal", ints, key!, nonce!, head!, body!)).toEqual(expected);
          expect(run("cipher_open", ints, key!, nonce!, head!, expected)).toEqual(body);
        }),
      );
    });

    it.each(X25519)("X25519: RFC 7748, section 5.2 (case %#)", (scalar, point, expected) => {
      expect(run("cipher_x25519", [], hex(scalar), hex(point))).toEqual(hex(expected));
    });

    it("X25519 fails, or gives zeros, for points of small order", () => {
      const zeros = new Uint8Array(32);
      for (const point of [zeros, Uint8Array.from([1, ...zeros.subarray(1)])]) {
        const result = run("cipher_x25519", [], counting(32), point) ?? zeros;
        expect(result).toEqual(zeros);
      }
    });

    it.each(SPAKE2)("SPAKE2: RFC 9382, appendix B (case %#)", (w, y, pB, pA, k) => {
      expect(run("cipher_spake2", [0], hex(w), hex(y))).toEqual(hex(pB));
      expect(run("cipher_spake2", [1], hex(w), hex(y), hex(pA))).toEqual(hex(k));
    });

    it("SPAKE2 takes no point beside the curve, and not the blinding point alone", () => {
      const [w, y, , pA] = SPAKE2[0].map(hex);
      const beside = pA!.slice();
      beside[64]! ^= 1;
      expect(run("cipher_spake2", [1], w!, y!, beside)).toBeUndefined();
      // w = 1: M itself.
      const one = Uint8Array.from([...new Uint8Array(31), 1]);
      const m = hex(
        "04886e2f97ace46e55ba9dd7242579f2993b64e16ef3dcab95afd497333d8fa12f5ff355163e43ce224e0b0e65ff02ac8e5c7be09419c785e0ca547d55a12e2d20",
      );
      expect(run("cipher_spake2", [1], one, y!, m)).toBeUndefined();
    });
  });
}
