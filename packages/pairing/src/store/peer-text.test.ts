import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { addressText, parseAddressText } from "./address-text.js";
import type { PairedPeer } from "./paired-peer.js";
import { readPeers, writePeers } from "./peer-text.js";
import { StoreError } from "./store-error.js";

const arbitraryKey = fc.record({
  secret: fc.uint8Array({ minLength: 32, maxLength: 32 }),
  side: fc.constantFrom("initiator" as const, "responder" as const),
});
const time = fc.integer({ min: 0, max: 4e12 });

const arbitraryPeer: fc.Arbitrary<PairedPeer> = fc
  .record({
    address: fc.uint8Array({ minLength: 1, maxLength: 8 }),
    name: fc.stringMatching(/^row-[a-z]{1,6} \d{1,3}$/),
    kind: fc.option(fc.string({ maxLength: 16 }), { nil: undefined }),
    keys: fc.array(arbitraryKey, { maxLength: 4 }),
    used: fc.nat(3),
    radioChannel: fc.option(fc.integer({ min: 0, max: 65535 }), { nil: undefined }),
    firstSeenMs: time,
    lastSeenMs: time,
    revokedMs: fc.option(time, { nil: undefined }),
  })
  .map(({ used, kind, radioChannel, revokedMs, keys, ...peer }) => ({
    ...peer,
    keys: revokedMs === undefined ? keys : [],
    usedIndex: revokedMs === undefined && keys.length > 0 ? used % keys.length : 0,
    ...(kind !== undefined && { kind }),
    ...(radioChannel !== undefined && { radioChannel }),
    ...(revokedMs !== undefined && { revokedMs }),
  }));

const arbitraryPeers = fc.uniqueArray(arbitraryPeer, {
  maxLength: 6,
  comparator: (one, other) =>
    one.name === other.name || addressText(one.address) === addressText(other.address),
});

describe("paired boards as text", () => {
  it("come back as they were, in the order of their names", () => {
    fc.assert(
      fc.property(arbitraryPeers, (peers) => {
        const back = readPeers(writePeers(peers));
        const names = peers.map(({ name }) => name).sort();
        expect(back.map(({ name }) => name)).toEqual(names);
        for (const peer of peers) expect(back.find(({ name }) => name === peer.name)).toEqual(peer);
        expect(writePeers(back)).toBe(writePeers(peers));
      }),
    );
  });

  it("are read whole or not at all: what was cut off or changed is told, and nothing else is thrown", () => {
    fc.assert(
      fc.property(
        arbitraryPeers,
        fc.double({ min: 0, max: 1, noNaN: true }),
        fc.string({ maxLength: 3 }),
        (peers, share, with_) => {
          const text = writePeers(peers);
          const at = Math.floor(share * text.length);
          for (const damaged of [text.slice(0, at), text.slice(0, at) + with_ + text.slice(at + 1)])
            try {
              expect(readPeers(damaged).length).toBeLessThanOrEqual(peers.length);
            } catch (error) {
              expect(error).toBeInstanceOf(StoreError);
              expect((error as StoreError).code).toBe("store-damaged");
            }
        },
      ),
      { numRuns: 500 },
    );
  });

  it.each([
    ["", "not JSON"],
    ["[]", `no "format"`],
    [`{"format":"fardel-peers-9","peers":[]}`, "this version reads fardel-peers-1"],
    [`{"format":"fardel-peers-1"}`, "is not a list"],
    [`{"format":"fardel-peers-1","peers":[{"name":"a"}]}`, "board 1 has no address"],
    [`{"format":"fardel-peers-1","peers":[{"address":"02:01"}]}`, "board 1 has no name"],
    [peerText(`"firstSeen":"yesterday"`), `board 1, row-1: "yesterday" is not a time`],
    [peerText(`"keys":[{"secret":"00","side":"initiator"}]`), "64 hexadecimal digits"],
    [peerText(`"keys":[{"secret":"${"0".repeat(64)}","side":"third"}]`), "neither initiator nor"],
    [peerText(`"used":2`), "the key in use is not among its keys"],
    [peerText(`"radioChannel":-1`), "from 0 to 65535"],
    [peerText(`"name":" row"`), "is not a name"],
    [peerText(`"name":"02:03"`), "is not a name"],
  ])("%s: says what is wrong", (text, what) => {
    expect(() => readPeers(text)).toThrow(what);
  });
});

function peerText(field: string): string {
  const fields = [`"address":"02:01","name":"row-1"`];
  for (const name of ["firstSeen", "lastSeen"])
    if (!field.includes(name)) fields.push(`"${name}":"2026-11-26T00:00:00.000Z"`);
  return `{"format":"fardel-peers-1","peers":[{${fields.join(",")},${field}}]}`;
}

describe("addresses as text", () => {
  it("come back as they were, however they are written", () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 2, maxLength: 8 }), (address) => {
        const text = addressText(address);
        for (const written of [text, text.toUpperCase(), text.replaceAll(":", "-")])
          expect(parseAddressText(written)).toEqual(address);
        expect(parseAddressText(text.replaceAll(":", ""))).toEqual(address);
      }),
    );
  });

  it.each(["", "row-7", "0g", "123", "02:", ":02", "02::03", "002:03"])("not %s", (text) => {
    expect(parseAddressText(text)).toBeUndefined();
  });
});
