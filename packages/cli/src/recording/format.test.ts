import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  decodeHead,
  decodeLine,
  encodeDatagram,
  encodeHead,
  encodeLoss,
  type RecordedDatagram,
} from "./format.js";

const OUTCOMES = ["sent", "acknowledged", "not-acknowledged", "refused", "gone"] as const;

const anyDatagram: fc.Arbitrary<RecordedDatagram> = fc.record(
  {
    atUs: fc.nat({ max: Number.MAX_SAFE_INTEGER }),
    direction: fc.constantFrom("sent" as const, "received" as const, "overheard" as const),
    peer: fc.uint8Array({ minLength: 1, maxLength: 64 }),
    to: fc.uint8Array({ minLength: 1, maxLength: 64 }),
    tookUs: fc.nat({ max: 0xffff_ffff }),
    fate: fc.string(),
    bytes: fc.uint8Array({ maxLength: 1500 }),
    outcome: fc.constantFrom(...OUTCOMES),
    rssiDbm: fc.integer({ min: -120, max: 0 }),
    radioChannel: fc.nat({ max: 65_535 }),
  },
  { requiredKeys: ["atUs", "direction", "peer", "bytes"] },
);

const HEAD = { mtuBytes: 250, startedAt: new Date("2026-04-18T03:20:00Z"), link: "udp::7400" };
const LINE = {
  atUs: 1500,
  direction: "sent",
  peer: "02000000000b",
  bytes: "5300",
  outcome: "sent",
};

describe("the lines of a recording", () => {
  it("give back every datagram", () => {
    fc.assert(
      fc.property(anyDatagram, (datagram) => {
        const line = encodeDatagram(datagram);
        expect(line.endsWith("\n") && !line.slice(0, -1).includes("\n")).toBe(true);
        const read = decodeLine(line);
        expect(read).toEqual({ ok: true, value: datagram });
      }),
    );
  });

  it("give back head and holes, whatever the link is called", () => {
    fc.assert(
      fc.property(fc.string({ unit: "binary" }), (link) => {
        const line = encodeHead({ ...HEAD, link });
        expect(line.indexOf("\n")).toBe(line.length - 1);
        const read = decodeHead(line);
        expect(read.ok && read.value.startedAt).toEqual(HEAD.startedAt);
      }),
    );
    const hole = { atUs: 7, dropped: 12 };
    expect(decodeLine(encodeLoss(hole))).toEqual({ ok: true, value: hole });
  });

  it("are those of TRACE.md", () => {
    expect(encodeHead(HEAD)).toBe(
      '{"format":"fardel-recording","version":1,"mtuBytes":250,"startedAt":"2026-04-18T03:20:00.000Z","link":"udp::7400"}\n',
    );
    const peer = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
    const bytes = Uint8Array.of(0x53, 0);
    expect(encodeDatagram({ atUs: 1500, direction: "received", peer, bytes, rssiDbm: -61 })).toBe(
      '{"atUs":1500,"direction":"received","peer":"02000000000b","bytes":"5300","rssiDbm":-61}\n',
    );
  });

  it("may have fields of later versions", () => {
    const read = decodeLine(JSON.stringify({ ...LINE, snrDb: 12, __proto__: null }));
    expect(read).toEqual(expect.objectContaining({ ok: true }));
    expect(decodeHead(JSON.stringify({ ...JSON.parse(encodeHead(HEAD)), board: "x" })).ok).toBe(
      true,
    );
  });

  it.each([
    ["", "not a JSON object"],
    ["[]", "not a JSON object"],
    ["null", "not a JSON object"],
    [JSON.stringify({ ...LINE, atUs: -1 }), "atUs"],
    [JSON.stringify({ ...LINE, atUs: 1.5 }), "atUs"],
    [JSON.stringify({ ...LINE, atUs: "1" }), "atUs"],
    [JSON.stringify({ ...LINE, direction: "up" }), "direction"],
    [JSON.stringify({ ...LINE, peer: "" }), "peer"],
    [JSON.stringify({ ...LINE, peer: "0" }), "peer"],
    [JSON.stringify({ ...LINE, peer: "00".repeat(65) }), "peer"],
    [JSON.stringify({ ...LINE, bytes: "zz" }), "bytes"],
    [JSON.stringify({ ...LINE, bytes: "0x" }), "bytes"],
    [JSON.stringify({ ...LINE, bytes: 12 }), "bytes"],
    [JSON.stringify({ ...LINE, bytes: "00".repeat(65_536) }), "bytes"],
    [JSON.stringify({ ...LINE, outcome: "toString" }), "outcome"],
    [JSON.stringify({ ...LINE, rssiDbm: "-61" }), "rssiDbm"],
    [JSON.stringify({ ...LINE, radioChannel: -1 }), "radioChannel"],
    [JSON.stringify({ atUs: 0, dropped: 0 }), "dropped"],
    ["[".repeat(100_000), "not a JSON object"],
  ])("are refused when wrong: %#", (line, word) => {
    const read = decodeLine(line);
    expect(read.ok).toBe(false);
    expect(!read.ok && read.why).toContain(word);
  });

  it.each([
    ["hello", "does not begin like a recording"],
    ['{"format":"other","version":1}', "does not begin like a recording"],
    ['{"format":"fardel-recording","version":2}', "version 2"],
    ['{"format":"fardel-recording"}', "no version"],
    ['{"format":"fardel-recording","version":1,"mtuBytes":5}', "mtuBytes"],
    ['{"format":"fardel-recording","version":1,"mtuBytes":250,"startedAt":"soon"}', "startedAt"],
    [
      '{"format":"fardel-recording","version":1,"mtuBytes":250,"startedAt":"2026-04-18T03:20:00Z"}',
      "link",
    ],
  ])("begin with a head: %s", (line, word) => {
    const read = decodeHead(line);
    expect(!read.ok && read.why).toContain(word);
  });

  it("never throw, whatever stands in them", () => {
    const anyText = fc.oneof(
      fc.string({ unit: "binary" }),
      fc.json(),
      fc
        .dictionary(fc.constantFrom(...Object.keys(LINE), "dropped"), fc.jsonValue())
        .map((part) => JSON.stringify({ ...LINE, ...part })),
    );
    fc.assert(
      fc.property(anyText, (text) => {
        expect(typeof decodeLine(text).ok).toBe("boolean");
        expect(typeof decodeHead(text).ok).toBe("boolean");
      }),
      { numRuns: 500 },
    );
  });
});
