import { createCipheriv } from "node:crypto";
import { TAG_BYTES } from "@fardel/core";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { AesCcm } from "./aes-ccm.js";

const hex = (text: string) => Uint8Array.from(Buffer.from(text.replaceAll(" ", ""), "hex"));

/** RFC 3610, section 8, those with a tag of 8 bytes (from memory; OpenSSL confirms each below). */
const COUNTING_KEY = hex("C0C1C2C3C4C5C6C7C8C9CACBCCCDCECF");
const RANDOM_KEY = hex("D7828D13B2B0BDC325A76236DF93CC6B");
const counting = (bytes: number) => Uint8Array.from({ length: bytes }, (_, at) => at);
const VECTORS = [
  {
    name: "vector #1",
    key: COUNTING_KEY,
    nonce: "00000003020100A0A1A2A3A4A5",
    headBytes: 8,
    plain: counting(31),
    sealed: "588C979A61C663D2F066D0C2C0F989806D5F6B61DAC38417E8D12CFDF926E0",
  },
  {
    name: "vector #2",
    key: COUNTING_KEY,
    nonce: "00000004030201A0A1A2A3A4A5",
    headBytes: 8,
    plain: counting(32),
    sealed: "72C91A36E135F8CF291CA894085C87E3CC15C439C9E43A3BA091D56E10400916",
  },
  {
    name: "vector #3",
    key: COUNTING_KEY,
    nonce: "00000005040302A0A1A2A3A4A5",
    headBytes: 8,
    plain: counting(33),
    sealed: "51B1E5F44A197D1DA46B0F8E2D282AE871E838BB64DA8596574ADAA76FBD9FB0C5",
  },
  {
    name: "vector #4",
    key: COUNTING_KEY,
    nonce: "00000006050403A0A1A2A3A4A5",
    headBytes: 12,
    plain: counting(31),
    sealed: "A28C6865939A9A79FAAA5C4C2A9D4A91CDAC8C96C861B9C9E61EF1",
  },
  {
    name: "vector #5",
    key: COUNTING_KEY,
    nonce: "00000007060504A0A1A2A3A4A5",
    headBytes: 12,
    plain: counting(32),
    sealed: "DCF1FB7B5D9E23FB9D4E131253658AD86EBDCA3E51E83F077D9C2D93",
  },
  {
    name: "vector #6",
    key: COUNTING_KEY,
    nonce: "00000008070605A0A1A2A3A4A5",
    headBytes: 12,
    plain: counting(33),
    sealed: "6FC1B011F006568B5171A42D953D469B2570A4BD87405A0443AC91CB94",
  },
  {
    name: "vector #13",
    key: RANDOM_KEY,
    nonce: "00412B4EA9CDBE3C9696766CFA",
    headBytes: 8,
    plain: hex("0BE1A88BACE018B1 08E8CF97D820EA258460E96AD9CF5289054D895CEAC47C"),
    sealed: "4CB97F86A2A4689A877947AB8091EF5386A6FFBDD080F8E78CF7CB0CDDD7B3",
  },
] as const;

/** The second implementation. */
function openSslSeal(key: Uint8Array, nonce: Uint8Array, plain: Uint8Array, headBytes: number) {
  const cipher = createCipheriv("aes-128-ccm", key, nonce, { authTagLength: TAG_BYTES });
  cipher.setAAD(plain.subarray(0, headBytes), { plaintextLength: plain.length - headBytes });
  const text = cipher.update(plain.subarray(headBytes));
  cipher.final();
  return Uint8Array.from([...plain.subarray(0, headBytes), ...text, ...cipher.getAuthTag()]);
}

function seal(key: Uint8Array, nonce: Uint8Array, plain: Uint8Array, headBytes: number) {
  const bytes = Uint8Array.from([...plain, ...new Uint8Array(TAG_BYTES)]);
  new AesCcm(key).seal(bytes, headBytes, plain.length, nonce);
  return bytes;
}

describe("AES-CCM", () => {
  it.each(VECTORS)("RFC 3610, section 8: $name", ({ key, nonce, headBytes, plain, sealed }) => {
    const whole = Uint8Array.from([...plain.subarray(0, headBytes), ...hex(sealed)]);
    expect(openSslSeal(key, hex(nonce), plain, headBytes)).toEqual(whole);
    expect(seal(key, hex(nonce), plain, headBytes)).toEqual(whole);
    const opened = new AesCcm(key).open(whole, headBytes, hex(nonce));
    expect(opened).toEqual(plain.slice(headBytes));
  });

  it("gives what OpenSSL gives, for all lengths", () => {
    const bytes = (length: number) => fc.uint8Array({ minLength: length, maxLength: length });
    // At least one byte of text: of none at all OpenSSL makes no tag.
    const plain = fc.uint8Array({ minLength: 1, maxLength: 300 });
    const arbitrary = fc.tuple(bytes(16), bytes(13), plain, fc.nat(60));
    fc.assert(
      fc.property(arbitrary, ([key, nonce, plain, from]) => {
        const headBytes = Math.min(from, plain.length - 1);
        const sealed = seal(key, nonce, plain, headBytes);
        expect(sealed).toEqual(openSslSeal(key, nonce, plain, headBytes));
        const before = sealed.slice();
        expect(new AesCcm(key).open(sealed, headBytes, nonce)).toEqual(plain.slice(headBytes));
        expect(sealed).toEqual(before);
      }),
      { numRuns: 500 },
    );
  });

  it("does so beyond 255 blocks and for long associated data, in an array of any alignment", () => {
    const key = counting(16);
    const nonce = counting(13);
    for (const [total, headBytes] of [
      [9000, 3],
      [2000, 1000],
      [65535 + 7, 7],
    ] as const) {
      const plain = Uint8Array.from({ length: total }, (_, at) => (at * 7) & 0xff);
      const expected = openSslSeal(key, nonce, plain, headBytes);
      for (let shift = 0; shift < 4; shift++) {
        const bytes = new Uint8Array(shift + total + TAG_BYTES).subarray(shift);
        bytes.set(plain);
        new AesCcm(key).seal(bytes, headBytes, total, nonce);
        expect(Buffer.compare(bytes, expected)).toBe(0);
      }
    }
  });

  it("opens nothing of which any bit was changed, nor under another nonce, key or division", () => {
    const [key, nonce] = [counting(16), counting(13)];
    const cipher = new AesCcm(key);
    const sealed = seal(key, nonce, counting(40), 5);
    for (let bit = 0; bit < sealed.length * 8; bit++) {
      const changed = sealed.slice();
      changed[bit >> 3]! ^= 1 << (bit & 7);
      expect(cipher.open(changed, 5, nonce)).toBeUndefined();
    }
    for (let bit = 0; bit < 13 * 8; bit++) {
      const other = nonce.slice();
      other[bit >> 3]! ^= 1 << (bit & 7);
      expect(cipher.open(sealed, 5, other)).toBeUndefined();
    }
    expect(cipher.open(sealed, 4, nonce)).toBeUndefined();
    expect(new AesCcm(counting(17).subarray(1)).open(sealed, 5, nonce)).toBeUndefined();
    for (let bytes = 0; bytes < sealed.length; bytes++)
      expect(cipher.open(sealed.subarray(0, bytes), 5, nonce)).toBeUndefined();
  });

  it("refuses what it cannot hold: a bug of its caller", () => {
    const cipher = new AesCcm(counting(16));
    expect(() => new AesCcm(counting(15))).toThrow(RangeError);
    expect(() => cipher.seal(new Uint8Array(20), 3, 13, counting(13))).toThrow(RangeError);
    expect(() => cipher.seal(new Uint8Array(20), 5, 4, counting(13))).toThrow(RangeError);
    expect(() => cipher.seal(new Uint8Array(20), 3, 5, counting(12))).toThrow(RangeError);
    expect(() => cipher.seal(new Uint8Array(66000), 3, 65900, counting(13))).toThrow(RangeError);
    expect(cipher.open(new Uint8Array(66000), 3, counting(13))).toBeUndefined();
  });
});
