import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter } from "./byte-writer.js";
import { sealDatagram } from "./datagram.js";
import { describeDatagram } from "./describe.js";
import { encodeLongHead } from "./head.js";
import { encodeHello } from "./hello-frame.js";
import { encodePad } from "./pad-frame.js";

function described(hex: string): string {
  return describeDatagram(Uint8Array.from(Buffer.from(hex.replaceAll(" ", ""), "hex")));
}

/** A short datagram with these frames. */
function frameText(hex: string): string {
  const text = described(`40 0000 ${hex} 0000`);
  return text.replace("short #…0000 ask none · ", "").replace(" · crc 0000", "");
}

describe("describeDatagram", () => {
  it("tells a short datagram in one line", () => {
    expect(described(`41 1a2b c0 0201 7000 ${"aa".repeat(240)} 6e90`)).toBe(
      "short #…1a2b ask now · data ch 0 fragment 513 first of 12,288 bytes, 240 bytes · crc 906e",
    );
    expect(described("42 0001 0000")).toBe("short #…0001 ask next · crc 0000");
    expect(described("43 0001 0000")).toBe("short #…0001 ask after next · crc 0000");
  });

  it("tells a long datagram, and whether its CRC is right", () => {
    const out = new ByteWriter(new Uint8Array(21));
    encodeLongHead(out, 1, 0xa1b2c3d4, 0, 0xa1b2);
    encodeHello(out, 1, 250, 64);
    encodePad(out, 2);
    const datagram = sealDatagram(out, 0, 0xa1b2c3d4, 0xa1b2);
    const [high, low] = [datagram[20]!, datagram[19]!].map((byte) =>
      byte.toString(16).padStart(2, "0"),
    );
    const text =
      "long from a1b2c3d4 to 00000000 #0000a1b2 ask now · " +
      `hello version 1 mtu 250 bytes window 64 · pad 2 bytes · crc ${high}${low}`;
    expect(describeDatagram(datagram)).toBe(`${text} good`);
    datagram[18] = 0xff;
    expect(describeDatagram(datagram)).toContain("pad 1 byte · truncated at byte 18: ff · crc ");
    datagram[18] = 0;
    datagram[3]! ^= 1;
    expect(describeDatagram(datagram)).toBe(`${text} wrong`.replace("a1b2c3d4 to", "a1b2c2d4 to"));
    expect(described("50 00000000 a1b2c3d4 00000000 51 1234")).toBe(
      "long from 00000000 to a1b2c3d4 #00000000 ask none · no session · crc 3412 wrong",
    );
  });

  it.each([
    ["e0 0005 aabb", "data ch 0 fragment 5 whole, 2 bytes"],
    ["f7 0005 01 aa", "data ch 7 fragment 5 whole, 1 byte"],
    ["c0 0005 00 aa", "data ch 0 fragment 5 first, 1 byte"],
    ["8f ffff aabbcc", "data ch 15 fragment 65535 middle, 3 bytes"],
    ["a0 0005 aa cbf43926", "data ch 0 fragment 5 last, 1 byte, message crc cbf43926"],
    ["10 a1b2 0005 40 80", "ack ch 0 up to #…a1b2 next 5 window 64 prompt"],
    ["10 a1b2 0005 40 40", "ack ch 0 up to #…a1b2 next 5 window 64, map cut"],
    ["10 a1b2 0005 40 00", "ack ch 0 up to #…a1b2 next 5 window 64"],
    [
      "12 a1b2 0201 00 c3 7ffde0",
      "ack ch 2 up to #…a1b2 next 513 window 0 prompt, " +
        "map 3 bytes has 515–527 529–532, map cut",
    ],
    ["12 a1b2 ffff 08 01 c1", "ack ch 2 up to #…a1b2 next 65535 window 8, map 1 byte has 0–1 7"],
    ["12 a1b2 ffff 08 01 00", "ack ch 2 up to #…a1b2 next 65535 window 8, map 1 byte has none"],
    ["23 0007", "skip ch 3 to fragment 7"],
    ["44 0007 01", "stop ch 4 fragment 7, too large"],
    ["44 0007 02", "stop ch 4 fragment 7, not wanted"],
    ["44 0007 03", "stop ch 4 fragment 7, damaged"],
    ["44 0007 04", "stop ch 4 fragment 7, no longer read"],
    ["44 0007 09", "stop ch 4 fragment 7, reason 9"],
    ["50 00", "close, done"],
    ["50 01", "close, shutting down"],
    ["50 02", "close, fault"],
    ["50 03", "close, reason 3"],
    ["61 aabb", "loose lane 1 whole, 2 bytes"],
    ["67 0a0b 02 aabb", "loose lane 3 id 2571 fragment 2, 2 bytes"],
    [
      "67 0a0b 83 aabb 0000000f",
      "loose lane 3 id 2571 fragment 3 last, 2 bytes, message crc 0000000f",
    ],
    ["72 02 aabb", "extension 2, 2 bytes: aa bb"],
    ["72 00", "extension 2, 0 bytes: nothing"],
    ["00 20 0001 000000", "pad 1 byte · skip ch 0 to fragment 1 · pad 3 bytes"],
    ["20 0001 01 0203", "skip ch 0 to fragment 1 · unknown-frame at byte 6: 01 02 03"],
    ["31 0001 01", "bad-value at byte 3: 31 00 01 01"],
    ["20 00", "truncated at byte 3: 20 00"],
  ])("tells %s", (hex, text) => {
    expect(frameText(hex)).toBe(text);
  });

  it("tells what needs no session, and what cannot be read without a key", () => {
    expect(described("60 01 aabb 0000")).toBe(
      "without session · announce, 2 bytes: aa bb · crc 0000 wrong",
    );
    expect(described("60 09 d3f7")).toBe(
      "without session · kind 9, 0 bytes: nothing · crc f7d3 good",
    );
    expect(described("49 1a2b aabbcc 0102030405060708")).toBe(
      "protected short #…1a2b ask now · 3 bytes encrypted · tag 01 02 03 04 05 06 07 08",
    );
    const salt = "000102030405060708090a0b";
    expect(described(`58 a1b2c3d4 0f1e2d3c 0000a1b2 ${salt} aa 0102030405060708`)).toBe(
      "protected long from a1b2c3d4 to 0f1e2d3c #0000a1b2 ask none · salt 00 01 02 03 04 05 06 07 08 09 0a 0b · 1 byte encrypted · tag 01 02 03 04 05 06 07 08",
    );
    expect(described("58 a1b2c3d4 0f1e2d3c 0000a1b2 00")).toBe(
      "protected, too-short, 14 bytes: 58 a1 b2 c3 d4 0f 1e 2d 3c 00 00 a1 b2 00",
    );
  });

  it("tells what is wrong with a head", () => {
    expect(described("")).toBe("too-short, 0 bytes: nothing");
    expect(described("41 01")).toBe("too-short, 2 bytes: 41 01");
    expect(described("80 0001 0000")).toBe("other-version, 5 bytes: 80 00 01 00 00");
    expect(described(`70 ${"11".repeat(1499)}`)).toBe(
      `unknown-form, 1,500 bytes: 70${" 11".repeat(15)} …`,
    );
  });

  it("never throws, never breaks the line and never shows a hole", () => {
    const head = fc.constantFrom([0x41, 1, 2], [0x50, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12], []);
    fc.assert(
      fc.property(head, fc.uint8Array({ maxLength: 300 }), (start, rest) => {
        const text = describeDatagram(Uint8Array.from([...start, ...rest]));
        expect(text).not.toMatch(/\n|undefined|NaN|null|-\d/);
        expect(text.length).toBeGreaterThan(0);
      }),
      { numRuns: 3000 },
    );
  });
});
