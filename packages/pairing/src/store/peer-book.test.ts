import { describe, expect, it } from "vitest";
import { createPairKey } from "../keys/pair-key.js";
import { MemoryPeerStore } from "./memory-store.js";
import type { PairedPeer } from "./paired-peer.js";
import { PeerBook } from "./peer-book.js";
import { openStoredKeyRing } from "./stored-key-ring.js";

const secretOf = (seed: number) => new Uint8Array(32).fill(seed);
const addressOf = (last: number) => Uint8Array.of(2, 0, 0, 0, 0, last);

function peer(name: string, last: number, more: Partial<PairedPeer> = {}): PairedPeer {
  return {
    address: addressOf(last),
    name,
    keys: [{ secret: secretOf(last), side: "initiator" }],
    usedIndex: 0,
    firstSeenMs: 1000,
    lastSeenMs: 2000,
    ...more,
  };
}

function bookOf(...peers: PairedPeer[]) {
  const store = new MemoryPeerStore(peers);
  return { store, book: new PeerBook(store) };
}

describe("a board is found", () => {
  it("by its name, its address, or the beginning of its name", async () => {
    const { book } = bookOf(peer("row-1", 1), peer("row-12", 2), peer("gate", 3));
    for (const [text, name] of [
      ["row-1", "row-1"],
      ["row-12", "row-12"],
      ["g", "gate"],
      ["02:00:00:00:00:02", "row-12"],
      ["020000000003", "gate"],
    ] as const)
      expect((await book.find(text)).name).toBe(name);
    await expect(book.find("row")).rejects.toMatchObject({
      code: "ambiguous-name",
      message: expect.stringContaining("row-1, row-12"),
    });
    await expect(book.find("")).rejects.toMatchObject({ code: "unknown-peer" });
    await expect(book.find("02:00:00:00:00:09")).rejects.toMatchObject({ code: "unknown-peer" });
  });
});

describe("a board is", () => {
  it("renamed, unless the name is taken or is none", async () => {
    const { book } = bookOf(peer("row-1", 1), peer("row-2", 2));
    expect((await book.rename("row-1", "row 1, north")).name).toBe("row 1, north");
    await expect(book.rename("row-2", "row 1, north")).rejects.toMatchObject({
      code: "name-taken",
    });
    for (const bad of ["", " x", "a\nb", "02:03", "x".repeat(65)])
      await expect(book.rename("row-2", bad)).rejects.toMatchObject({ code: "bad-value" });
    expect((await book.list()).map(({ name }) => name)).toEqual(["row 1, north", "row-2"]);
  });

  it("revoked: its keys are gone, and a ring that is opened then speaks to it no more", async () => {
    const { book, store } = bookOf(peer("row-1", 1));
    await book.revoke("row-1", 3000);
    expect(await book.list()).toMatchObject([{ name: "row-1", keys: [], revokedMs: 3000 }]);
    const ring = await openStoredKeyRing(store);
    expect(ring.keysFor(addressOf(1))).toBe("revoked");
  });

  it("forgotten", async () => {
    const { book } = bookOf(peer("row-1", 1), peer("row-2", 2));
    await book.forget("row-1");
    expect((await book.list()).map(({ name }) => name)).toEqual(["row-2"]);
    await expect(book.forget("row-1")).rejects.toMatchObject({ code: "unknown-peer" });
  });

  it("put in place of what was known under its address", async () => {
    const { book } = bookOf(peer("row-1", 1));
    await book.put(peer("row-9", 1, { kind: "row-station" }));
    expect(await book.list()).toMatchObject([{ name: "row-9", kind: "row-station" }]);
  });
});

describe("boards go from one store to another", () => {
  it("as text, and those that are known stay as they are", async () => {
    const { book } = bookOf(peer("row-1", 1), peer("row-2", 2));
    const text = await book.export();
    const other = bookOf(peer("row-1", 7), peer("mine", 2)).book;
    expect((await other.import(text)).map(({ name }) => name)).toEqual(["row-1-2"]);
    expect((await other.list()).map(({ name, address }) => `${name} ${address.at(-1)}`)).toEqual([
      "row-1 7",
      "mine 2",
      "row-1-2 1",
    ]);
    expect((await other.import(text, true)).length).toBe(2);
    expect((await other.find("02:00:00:00:00:02")).name).toBe("row-2");
    await expect(other.import("{")).rejects.toMatchObject({ code: "store-damaged" });
    expect((await other.list()).length).toBe(3);
  });
});

describe("a key ring over a store", () => {
  it("keeps what changes, and has it when it is opened again", async () => {
    const { book, store } = bookOf();
    let nowMs = 5000;
    const ring = await openStoredKeyRing(store, { nowMs: () => nowMs });
    const first = createPairKey(secretOf(1), "responder");
    const second = createPairKey(secretOf(2), "responder");
    ring.set(addressOf(1), first, "row-1");
    nowMs = 6000;
    ring.setPending(addressOf(1), second);
    await ring.saved();
    expect(await book.list()).toMatchObject([
      { name: "row-1", firstSeenMs: 5000, lastSeenMs: 6000, usedIndex: 0 },
    ]);
    const again = await openStoredKeyRing(store);
    const record = again.record(addressOf(1));
    expect(record?.keys.map((key) => key.exportSecret()[0])).toEqual([1, 2]);
    expect(record?.usedIndex).toBe(0);
    again.settle(addressOf(1), record?.keys[1] as typeof second);
    await again.saved();
    expect((await book.find("row-1")).keys.map(({ secret }) => secret[0])).toEqual([2]);
  });

  it("gives a board whose name is taken, or is none, another one, and leaves the names that people gave", async () => {
    const { book, store } = bookOf(peer("row-1", 1));
    const ring = await openStoredKeyRing(store);
    ring.set(addressOf(2), createPairKey(secretOf(2), "initiator"), "row-1");
    ring.set(addressOf(3), createPairKey(secretOf(3), "initiator"), "\u0007");
    ring.set(addressOf(1), createPairKey(secretOf(4), "initiator"), "another name");
    await ring.saved();
    expect((await book.list()).map(({ name }) => name).sort()).toEqual([
      "board-020000000003",
      "row-1",
      "row-1-2",
    ]);
  });

  it("revoked and paired again: it is trusted again", async () => {
    const { book, store } = bookOf(peer("row-1", 1));
    const ring = await openStoredKeyRing(store);
    ring.revoke(addressOf(1));
    await ring.saved();
    expect((await book.find("row-1")).revokedMs).toBeDefined();
    ring.set(addressOf(1), createPairKey(secretOf(9), "initiator"));
    await ring.saved();
    expect((await book.find("row-1")).revokedMs).toBeUndefined();
    ring.forget(addressOf(1));
    await ring.saved();
    expect(await book.list()).toEqual([]);
  });

  it("does not undo what another program has revoked", async () => {
    const { book, store } = bookOf(peer("row-1", 1));
    const ring = await openStoredKeyRing(store);
    await book.revoke("row-1", 3000);
    const pending = createPairKey(secretOf(9), "initiator");
    ring.setPending(addressOf(1), pending);
    await ring.saved();
    expect(await book.find("row-1")).toMatchObject({ keys: [], revokedMs: 3000 });
    expect(ring.keysFor(addressOf(1))).toBe("revoked");
    // Pairing it again from here is a decision, and holds.
    ring.set(addressOf(1), pending);
    await ring.saved();
    expect((await book.find("row-1")).keys.length).toBe(1);
  });

  it("says when nothing could be stored", async () => {
    const { store } = bookOf(peer("row-1", 1));
    const ring = await openStoredKeyRing(store);
    store.change = () => Promise.reject(new Error("The disk is full."));
    ring.revoke(addressOf(1));
    await expect(ring.saved()).rejects.toMatchObject({
      code: "not-stored",
      cause: { message: "The disk is full." },
    });
  });
});
