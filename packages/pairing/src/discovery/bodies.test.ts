import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Announcement, decodeAnnounce, encodeAnnounce } from "./announce-body.js";
import { BodyReader, varintBytes } from "./body-bytes.js";
import {
  decodeQuery,
  encodeQuery,
  fitFilter,
  isInMap,
  makeMap,
  mapBit,
  type Query,
} from "./query-body.js";
import { cutText, encodeText } from "./text.js";

const hex = (bytes: Uint8Array) =>
  Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join(" ");
const bytesOf = (text: string) =>
  Uint8Array.from(text.split(" "), (byte) => Number.parseInt(byte, 16));

const ANNOUNCEMENT: Announcement = {
  version: 1,
  isInPairingMode: true,
  takesPlainSessions: true,
  takesProtectedSessions: true,
  ways: ["code", "compare"],
  mtuBytes: 250,
  window: 8,
  messageBytesMax: 4096,
  kind: "row-station",
  name: "row 7",
};
/** Written by hand after PROTOCOL.md, section 15.1. */
const ANNOUNCE_HEX = "01 67 00 fa 08 50 00 0b 72 6f 77 2d 73 74 61 74 69 6f 6e 05 72 6f 77 20 37";
const QUERY: Query = {
  id: 0xc0ffee01,
  spreadMs: 400,
  pairingOnly: true,
  kind: "fan",
  prefix: encodeText("row"),
  map: Uint8Array.of(0x80, 0x01),
};
/** Written by hand after PROTOCOL.md, section 15.2. */
const QUERY_HEX = "c0 ff ee 01 01 90 01 03 66 61 6e 03 72 6f 77 02 80 01";

const text = (bytesMax: number) =>
  fc.string({ unit: "grapheme" }).filter((value) => encodeText(value).length <= bytesMax);
const announcements: fc.Arbitrary<Announcement> = fc.record({
  version: fc.integer({ min: 1, max: 255 }),
  isInPairingMode: fc.boolean(),
  takesPlainSessions: fc.boolean(),
  takesProtectedSessions: fc.boolean(),
  ways: fc.subarray(["cable", "code", "compare", "renew"] as const),
  mtuBytes: fc.integer({ min: 20, max: 65535 }),
  window: fc.integer({ min: 1, max: 255 }),
  messageBytesMax: fc.maxSafeNat(),
  kind: text(16),
  name: text(32),
});
const queries: fc.Arbitrary<Query> = fc.record({
  id: fc.integer({ min: 0, max: 0xffff_ffff }),
  spreadMs: fc.integer({ min: 0, max: 65535 }),
  pairingOnly: fc.boolean(),
  kind: text(16),
  prefix: text(32).map(encodeText),
  map: fc.uint8Array({ maxLength: 255 }),
});

describe("ANNOUNCE", () => {
  it("is what the specification says, byte by byte", () => {
    expect(hex(encodeAnnounce(ANNOUNCEMENT, 246).body)).toBe(ANNOUNCE_HEX);
    expect(decodeAnnounce(bytesOf(ANNOUNCE_HEX))).toEqual(ANNOUNCEMENT);
  });

  it("arrives as it was written, with whatever may follow", () => {
    fc.assert(
      fc.property(announcements, fc.uint8Array({ maxLength: 9 }), (announcement, more) => {
        const { body } = encodeAnnounce(announcement, 246);
        expect(decodeAnnounce(Uint8Array.of(...body, ...more))).toEqual(announcement);
      }),
    );
  });

  it("is malformed when it is cut short anywhere", () => {
    const body = bytesOf(ANNOUNCE_HEX);
    for (let length = 0; length < body.length; length++)
      expect(decodeAnnounce(body.subarray(0, length))).toBeUndefined();
  });

  it.each([
    ["version 0", 0, "00"],
    ["an MTU below 20", 3, "13"],
    ["window 0", 4, "00"],
    ["a name that is not UTF-8", 20, "ff"],
  ])("is malformed with %s", (_, at, byte) => {
    const body = bytesOf(`${ANNOUNCE_HEX} 20 20 20 20 20 20 20 20`);
    expect(decodeAnnounce(body)).toBeDefined();
    body[at as number] = Number.parseInt(byte as string, 16);
    expect(decodeAnnounce(body)).toBeUndefined();
  });

  it("is malformed with a kind of 17 bytes, or a name of 33", () => {
    const withTexts = (kindBytes: number, nameBytes: number) => {
      const kind = [kindBytes, ...new Uint8Array(kindBytes).fill(0x61)];
      const name = [nameBytes, ...new Uint8Array(nameBytes).fill(0x61)];
      return decodeAnnounce(Uint8Array.of(1, 0, 0, 250, 8, 0, ...kind, ...name));
    };
    expect(withTexts(16, 32)).toBeDefined();
    expect(withTexts(17, 32)).toBeUndefined();
    expect(withTexts(16, 33)).toBeUndefined();
  });

  it("is malformed with a message beyond 2^53", () => {
    const withMessage = (varint: string) =>
      decodeAnnounce(bytesOf(`01 00 00 fa 08 ${varint} 00 00`));
    expect(withMessage("ff ff ff ff ff ff ff ff")).toBeUndefined();
    expect(withMessage("c0 20 00 00 00 00 00 00")).toBeUndefined();
    expect(withMessage("c0 1f ff ff ff ff ff ff")).toMatchObject({
      messageBytesMax: Number.MAX_SAFE_INTEGER,
    });
  });

  it("passes over flags that mean nothing yet", () => {
    const body = bytesOf(ANNOUNCE_HEX);
    body[1]! |= 0x08;
    expect(decodeAnnounce(body)).toEqual(ANNOUNCEMENT);
  });

  it("cuts the name to what fits, between characters", () => {
    const name = "Grüne Zeile";
    const cut = (bytesMax: number) => {
      const { body, nameBytes } = encodeAnnounce({ ...ANNOUNCEMENT, name }, bytesMax);
      expect(body.length).toBeLessThanOrEqual(bytesMax);
      expect(decodeAnnounce(body)?.name).toBe(new TextDecoder().decode(nameBytes));
      return decodeAnnounce(body)?.name;
    };
    const before = encodeAnnounce({ ...ANNOUNCEMENT, name: "" }, 246).body.length;
    expect([12, 11, 4, 3, 2, 0].map((room) => cut(before + room))).toEqual([
      name,
      "Grüne Zeil",
      "Grü",
      "Gr",
      "Gr",
      "",
    ]);
    expect(() => cut(before - 1)).toThrow("datagrams of this link have room for 10");
  });

  it.each([
    { version: 0 },
    { mtuBytes: 19 },
    { window: 256 },
    { messageBytesMax: -1 },
    { kind: "a".repeat(17) },
    { name: "ü".repeat(17) },
  ])("refuses to be written with %j", (wrong) => {
    expect(() => encodeAnnounce({ ...ANNOUNCEMENT, ...wrong }, 246)).toThrow(/^Option /);
  });
});

describe("QUERY", () => {
  it("is what the specification says, byte by byte", () => {
    expect(hex(encodeQuery(QUERY))).toBe(QUERY_HEX);
    expect(decodeQuery(bytesOf(QUERY_HEX))).toEqual(QUERY);
  });

  it("arrives as it was written, with whatever may follow", () => {
    fc.assert(
      fc.property(queries, fc.uint8Array({ maxLength: 9 }), (query, more) => {
        expect(decodeQuery(Uint8Array.of(...encodeQuery(query), ...more))).toEqual(query);
      }),
    );
  });

  it("is malformed when it is cut short anywhere", () => {
    const body = bytesOf(QUERY_HEX);
    for (let length = 0; length < body.length; length++)
      expect(decodeQuery(body.subarray(0, length))).toBeUndefined();
  });

  it.each([
    ["a kind that is not UTF-8", 8, 0xff],
    ["a prefix that is not UTF-8", 12, 0xc3],
  ])("is malformed with %s", (_, at, byte) => {
    const body = Uint8Array.of(...bytesOf(QUERY_HEX), ...new Uint8Array(40));
    expect(decodeQuery(body)).toBeDefined();
    body[at as number] = byte as number;
    expect(decodeQuery(body)).toBeUndefined();
  });

  it("is malformed with a kind of 17 bytes, or a prefix of 33", () => {
    const withTexts = (kindBytes: number, prefixBytes: number) => {
      const kind = [kindBytes, ...new Uint8Array(kindBytes).fill(0x61)];
      const prefix = [prefixBytes, ...new Uint8Array(prefixBytes).fill(0x61)];
      return decodeQuery(Uint8Array.of(0, 0, 0, 1, 0, 0, 0, ...kind, ...prefix, 0));
    };
    expect(withTexts(16, 32)).toBeDefined();
    expect(withTexts(17, 32)).toBeUndefined();
    expect(withTexts(16, 33)).toBeUndefined();
  });

  it("leaves out what does not fit, and keeps the rest for the map", () => {
    const filter = { kind: "row-station", namePrefix: "Grün", pairingOnly: false };
    expect(fitFilter(filter, 246)).toMatchObject({ kind: "row-station", mapBytesMax: 220 });
    expect(fitFilter({ ...filter, kind: "", namePrefix: "" }, 1000).mapBytesMax).toBe(255);
    const small = fitFilter(filter, 14);
    expect(small.kind).toBe("");
    expect(new TextDecoder().decode(small.prefix)).toBe("Grü");
    expect(small.mapBytesMax).toBe(0);
  });
});

describe("the map of boards heard", () => {
  const address = Uint8Array.of(2, 0, 0, 0, 0, 10);

  it("has the bit of the mixed CRC-32 over id and address, most significant first", () => {
    // CRC-32/ISO-HDLC of 00 00 00 01 02 00 00 00 00 0a, mixed; computed with Python's zlib.
    const hash = 0x01290e83;
    expect(mapBit(1, address, 2)).toBe(hash % 16);
    expect(mapBit(1, address, 255)).toBe(hash % 2040);
    const map = makeMap(1, [address], 2);
    expect((map[0]! << 8) | map[1]!).toBe(0x8000 >>> (hash % 16));
  });

  it("holds whoever was put in, and an empty one nobody", () => {
    const addresses = fc.array(fc.uint8Array({ minLength: 1, maxLength: 8 }), { maxLength: 50 });
    const id = fc.integer({ min: 0, max: 0xffff_ffff });
    fc.assert(
      fc.property(addresses, id, fc.integer({ min: 1, max: 255 }), (all, drawn, size) => {
        const map = makeMap(drawn, all, size);
        for (const each of all) {
          expect(isInMap({ id: drawn, map }, each)).toBe(true);
          expect(isInMap({ id: drawn, map: new Uint8Array(0) }, each)).toBe(false);
        }
      }),
    );
    expect(makeMap(1, [address], 0)).toEqual(new Uint8Array(0));
  });

  it("hides no board for ever behind another one", () => {
    for (let last = 0; last < 200; last++) {
      const other = Uint8Array.of(2, 0, 0, 0, 1, last);
      let hits = 0;
      for (let id = 0; id < 64; id++)
        if (isInMap({ id, map: makeMap(id, [other], 4) }, address)) hits++;
      // 1 in 32 by chance: more than 12 of 64 for one of 200 boards has a probability of 2e-5 (computed).
      expect(hits).toBeLessThanOrEqual(12);
    }
  });

  it("hits others by chance only, and others each time", () => {
    const others = Array.from({ length: 64 }, (_, at) => Uint8Array.of(2, 0, 0, 0, 1, at));
    let hits = 0;
    for (let id = 0; id < 1000; id++)
      if (isInMap({ id, map: makeMap(id, others, 64) }, address)) hits++;
    // 64 of 512 bits: 1 - (511/512)^64 = 0.1176 (computed); four standard deviations are 41.
    expect(Math.abs(hits - 117.6)).toBeLessThan(41);
  });
});

describe("bodies from anybody", () => {
  it("never throw, and give nothing that could not be written again", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (bytes) => {
        const announcement = decodeAnnounce(bytes);
        if (announcement)
          expect(decodeAnnounce(encodeAnnounce(announcement, 246).body)).toEqual(announcement);
        const query = decodeQuery(bytes);
        if (query) expect(decodeQuery(encodeQuery(query))).toEqual(query);
      }),
      { numRuns: 2000 },
    );
  });

  it("keep nothing of the array that they were read from", () => {
    const body = bytesOf(QUERY_HEX);
    const query = decodeQuery(body);
    body.fill(0);
    expect(query).toEqual(QUERY);
  });
});

describe("the fields of bodies", () => {
  it("cut texts between characters", () => {
    fc.assert(
      fc.property(fc.string({ unit: "binary" }), fc.nat(40), (whole, bytesMax) => {
        const bytes = encodeText(whole);
        const cut = cutText(bytes, bytesMax);
        expect(cut.length).toBeLessThanOrEqual(bytesMax);
        expect(cut.length).toBeGreaterThan(Math.min(bytesMax, bytes.length) - 4);
        expect(encodeText(whole).subarray(0, cut.length)).toEqual(cut);
        expect(new TextDecoder("utf-8", { fatal: true }).decode(cut)).toBeDefined();
      }),
    );
    expect(cutText(Uint8Array.of(0x61), -1)).toEqual(new Uint8Array(0));
  });

  it("have the shortest integers, and read longer ones", () => {
    // RFC 9000, appendix A.1.
    const examples: [number, string][] = [
      [494_878_333, "9d 7f 3e 7d"],
      [15_293, "7b bd"],
      [37, "25"],
    ];
    for (const [value, bytes] of examples) {
      expect(new BodyReader(bytesOf(bytes)).varint()).toBe(value);
      expect(hex(varintBytes(value))).toBe(bytes);
    }
    expect(new BodyReader(bytesOf("40 25")).varint()).toBe(37);
    fc.assert(
      fc.property(fc.maxSafeNat(), (value) => {
        expect(new BodyReader(varintBytes(value)).varint()).toBe(value);
      }),
    );
  });
});
