import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { encodeName } from "./name.js";
import {
  decodePairBody,
  encodeAbort,
  encodeAnswer,
  encodeOffer,
  encodeProof,
  encodeWait,
  type PairBody,
  readPairHead,
  STEP,
} from "./pair-body.js";
import { PAIRING_WAYS, WAY_FORMATS } from "./way.js";

const way = fc.constantFrom(...PAIRING_WAYS);
const exchange = fc.integer({ min: 0, max: 0xffff_ffff });
const bytes = (length: number) => fc.uint8Array({ minLength: length, maxLength: length });
/** Names of at most 16 bytes, of any characters. */
const name = fc
  .string({ unit: "binary", maxLength: 16 })
  .filter((text) => new TextEncoder().encode(text).length <= 16);
const reason = fc.constantFrom(1, 2, 3, 4, 5, 6, 7, 8) as fc.Arbitrary<1>;

/** A body that can be said in this way. */
const body = way.chain((one) => {
  const { shareBytes, proofBytes, checkBytes } = WAY_FORMATS[one];
  const offer = fc.record({ exchange, share: bytes(shareBytes), name });
  const proof = (step: "proof" | "check" | "kept" | "done", size: number) =>
    fc.record({ step: fc.constant(step), exchange, proof: bytes(size) });
  return fc
    .oneof<fc.Arbitrary<PairBody>[]>(
      offer.map((fields) => ({ step: "offer", way: one, ...fields })),
      offer.map((fields) => ({ step: "answer", ...fields })),
      proof("proof", proofBytes),
      proof("check", checkBytes),
      proof("kept", 16),
      proof("done", 16),
      exchange.map((number) => ({ step: "wait", exchange: number })),
      fc.record({ exchange, reason }).map((fields) => ({ step: "abort", ...fields })),
    )
    .map((said) => ({ said, way: one }));
});

function encode(said: PairBody): Uint8Array {
  if (said.step === "offer")
    return encodeOffer(said.exchange, said.way, said.share, encodeName(said.name));
  if (said.step === "answer") return encodeAnswer(said.exchange, said.share, encodeName(said.name));
  if (said.step === "wait") return encodeWait(said.exchange);
  if (said.step === "abort") return encodeAbort(said.exchange, said.reason);
  return encodeProof(said.step, said.exchange, said.proof);
}

describe("bodies of PAIR datagrams", () => {
  it("are read as they were written, also with something behind", () => {
    fc.assert(
      fc.property(body, fc.uint8Array({ maxLength: 9 }), ({ said, way: one }, behind) => {
        const written = encode(said);
        expect(decodePairBody(written, one)).toEqual(said);
        expect(decodePairBody(Uint8Array.of(...written, ...behind), one)).toEqual(said);
        expect(readPairHead(written)).toEqual({ step: said.step, exchange: said.exchange });
        expect(written.length).toBeLessThanOrEqual(92);
      }),
      { numRuns: 500 },
    );
  });

  it("are malformed if anything is missing at their end", () => {
    fc.assert(
      fc.property(body, ({ said, way: one }) => {
        const written = encode(said);
        for (let size = 0; size < written.length; size++)
          expect(decodePairBody(written.subarray(0, size), one)).toBeUndefined();
      }),
    );
  });

  it("never throw, whatever comes, and what is read can be written", () => {
    const first = fc.integer({ min: 0, max: 9 });
    fc.assert(
      fc.property(first, fc.uint8Array({ maxLength: 100 }), way, (step, rest, one) => {
        const bytesIn = Uint8Array.of(step, ...rest);
        const said = decodePairBody(bytesIn, one);
        expect(said !== undefined && readPairHead(bytesIn) === undefined).toBe(false);
        if (!said) return;
        const written = encode(said);
        expect(bytesIn.subarray(0, written.length)).toEqual(written);
      }),
      { numRuns: 2000 },
    );
  });

  it("look as PROTOCOL.md, section 16, draws them", () => {
    const share = new Uint8Array(16).fill(0xaa);
    const offer = encodeOffer(0x01020304, "cable", share, encodeName("row 4"));
    const name4 = [5, 0x72, 0x6f, 0x77, 0x20, 0x34];
    expect([...offer]).toEqual([1, 1, 2, 3, 4, 1, ...share, ...name4]);
    expect([...encodeAnswer(5, share, encodeName(""))]).toEqual([2, 0, 0, 0, 5, ...share, 0]);
    expect([...encodeProof("kept", 5, share)]).toEqual([5, 0, 0, 0, 5, ...share]);
    expect([...encodeWait(5)]).toEqual([7, 0, 0, 0, 5]);
    expect([...encodeAbort(5, 2)]).toEqual([8, 0, 0, 0, 5, 2]);
    expect(Object.values(WAY_FORMATS).map((format) => Object.values(format))).toEqual([
      [1, 16, 16, 16],
      [2, 65, 32, 32],
      [3, 32, 32, 16],
      [4, 32, 16, 16],
    ]);
  });

  it.each([
    ["an unknown way", [1, 0, 0, 0, 5, 5, ...new Uint8Array(100)]],
    ["way 0", [1, 0, 0, 0, 5, 0, ...new Uint8Array(100)]],
    ["a name of 17 bytes", [1, 0, 0, 0, 5, 1, ...new Uint8Array(16), 17, ...new Uint8Array(17)]],
    ["a name that is not UTF-8", [1, 0, 0, 0, 5, 1, ...new Uint8Array(16), 1, 0xff]],
    ["a name cut within a character", [2, 0, 0, 0, 5, ...new Uint8Array(16), 1, 0xc3]],
    ["reason 0", [8, 0, 0, 0, 5, 0]],
    ["reason 9", [8, 0, 0, 0, 5, 9]],
    ["step 0", [0, 0, 0, 0, 5]],
    ["step 9", [9, 0, 0, 0, 5, 1]],
  ])("are malformed with %s", (_, malformed) => {
    expect(decodePairBody(Uint8Array.from(malformed), "cable")).toBeUndefined();
  });

  it("keep a byte order mark in a name, which is part of the transcript", () => {
    const offer = encodeOffer(1, "cable", new Uint8Array(16), encodeName("\ufeffx"));
    expect(decodePairBody(offer, "cable")).toMatchObject({ name: "\ufeffx" });
    expect(STEP.abort).toBe(8);
  });

  it("refuse longer names: an error that says how long they are", () => {
    expect(() => encodeName("gateway of the orchard")).toThrow(/22 bytes, 16 are allowed/);
    expect(encodeName("gateway, orchard")).toHaveLength(16);
    expect(() => encodeName("\u00e4".repeat(9))).toThrow(/18 bytes/);
  });
});
