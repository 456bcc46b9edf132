import { inspect } from "node:util";
import { Endpoint } from "@fardel/core";
import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { KEYS_MAX, type KeyChange, KeyRing } from "./key-ring.js";
import { createPairKey } from "./pair-key.js";

const ADDRESS = Uint8Array.of(2, 0, 0, 0, 0, 7);
const OTHER = Uint8Array.of(2, 0, 0, 0, 0, 8);
const keyOf = (seed: number, side: "initiator" | "responder" = "initiator") =>
  createPairKey(new Uint8Array(32).fill(seed), side);

/** Which keys a ring answers with: keys show nothing of themselves, so that comparing them says nothing. */
function seedsIn(ring: KeyRing, address: Uint8Array = ADDRESS): unknown {
  const keys = ring.keysFor(address);
  if (keys === "revoked") return keys;
  return keys.map((key) => (key as ReturnType<typeof keyOf>).exportSecret()[0]);
}

describe("KeyRing", () => {
  it("knows nobody at first: they are spoken to in plain", () => {
    expect(new KeyRing().keysFor(ADDRESS)).toEqual([]);
    expect(new KeyRing().record(ADDRESS)).toBeUndefined();
  });

  it("of a responder: understands a pending key, uses the one before, until the pending one is right", () => {
    const ring = new KeyRing();
    const [older, newer] = [keyOf(1), keyOf(2)];
    ring.set(ADDRESS, older);
    ring.setPending(ADDRESS, newer);
    expect(seedsIn(ring)).toEqual([1, 2]);
    ring.noteRight(ADDRESS, older);
    expect(seedsIn(ring)).toEqual([1, 2]);
    ring.noteRight(OTHER, newer);
    ring.noteRight(ADDRESS, keyOf(2));
    expect(seedsIn(ring)).toEqual([1, 2]);
    ring.noteRight(ADDRESS, newer);
    expect(seedsIn(ring)).toEqual([2]);
  });

  it("of an initiator: uses the newer key, understands the one before, until the newer one is right", () => {
    const ring = new KeyRing();
    const [older, newer] = [keyOf(1), keyOf(2)];
    ring.set(ADDRESS, older);
    ring.setNewer(ADDRESS, newer);
    expect(seedsIn(ring)).toEqual([2, 1]);
    ring.noteRight(ADDRESS, older);
    expect(seedsIn(ring)).toEqual([2, 1]);
    ring.settle(ADDRESS, newer);
    expect(seedsIn(ring)).toEqual([2]);
  });

  it("answers with the key in use first, then from the newest to the oldest", () => {
    const ring = new KeyRing();
    const keys = [1, 2, 3].map((seed) => keyOf(seed));
    ring.set(ADDRESS, keys[0]!);
    ring.setPending(ADDRESS, keys[1]!);
    ring.setPending(ADDRESS, keys[2]!);
    expect(seedsIn(ring)).toEqual([1, 3, 2]);
    ring.noteRight(ADDRESS, keys[1]!);
    expect(seedsIn(ring)).toEqual([2, 3]);
  });

  it("never holds more than four keys for an address, and keeps the oldest, the newest and the one in use", () => {
    const step = fc.constantFrom("newer", "pending", "right", "settle");
    fc.assert(
      fc.property(fc.array(fc.tuple(step, fc.nat(3)), { maxLength: 30 }), (steps) => {
        const ring = new KeyRing();
        let seed = 1;
        ring.set(ADDRESS, keyOf(seed));
        for (const [what, index] of steps) {
          const before = ring.record(ADDRESS)!;
          const used = before.keys[before.usedIndex];
          const key = what === "newer" || what === "pending" ? keyOf(++seed & 0xff) : undefined;
          if (key && what === "newer") ring.setNewer(ADDRESS, key);
          else if (key) ring.setPending(ADDRESS, key);
          else {
            const right = before.keys[index % before.keys.length]!;
            if (what === "right") ring.noteRight(ADDRESS, right);
            else ring.settle(ADDRESS, right);
            expect(ring.record(ADDRESS)!.keys[0]).toBe(right);
          }
          const { keys, usedIndex } = ring.record(ADDRESS)!;
          expect(keys.length).toBeLessThanOrEqual(KEYS_MAX);
          expect(ring.keysFor(ADDRESS)[0]).toBe(keys[usedIndex]);
          const answered = new Set<unknown>([...ring.keysFor(ADDRESS)]);
          expect(answered.size).toBe(keys.length);
          for (const each of keys) expect(answered.has(each)).toBe(true);
          if (!key) continue;
          expect(keys.at(-1)).toBe(key);
          expect(keys[0]).toBe(before.keys[0]);
          expect(keys[usedIndex]).toBe(what === "newer" ? key : used);
        }
      }),
    );
  });

  it("keeps revoked addresses in mind until they are paired again or forgotten", () => {
    const ring = new KeyRing();
    ring.set(ADDRESS, keyOf(1), "row 4");
    ring.revoke(ADDRESS);
    expect(ring.keysFor(ADDRESS)).toBe("revoked");
    expect(ring.record(ADDRESS)).toMatchObject({ keys: [], isRevoked: true, name: "row 4" });
    ring.noteRight(ADDRESS, keyOf(1));
    expect(ring.keysFor(ADDRESS)).toBe("revoked");
    ring.setNewer(ADDRESS, keyOf(2));
    expect(ring.keysFor(ADDRESS)).toHaveLength(1);
    ring.revoke(ADDRESS);
    expect(ring.forget(ADDRESS)).toBe(true);
    expect(ring.forget(ADDRESS)).toBe(false);
    expect(ring.keysFor(ADDRESS)).toEqual([]);
  });

  it("tells the endpoint what its owner changes, but not what a datagram did", () => {
    const ring = new KeyRing();
    const told: string[] = [];
    ring.watch((address) => told.push(String(address.at(-1))));
    const key = keyOf(2);
    ring.set(ADDRESS, keyOf(1));
    ring.setNewer(ADDRESS, key);
    expect(told.splice(0)).toEqual(["7", "7"]);
    ring.noteRight(ADDRESS, key);
    expect(told).toEqual([]);
    const kept = keyOf(4);
    ring.setPending(OTHER, keyOf(3));
    ring.setPending(OTHER, kept);
    ring.settle(OTHER, kept);
    ring.settle(OTHER, kept);
    ring.revoke(OTHER);
    ring.forget(OTHER);
    expect(told).toEqual(["8", "8", "8", "8", "8"]);
  });

  it("tells a store of every change, what a datagram did too, and can be made anew from that", () => {
    const ring = new KeyRing();
    const stored = new Map<string, KeyChange["record"]>();
    const stop = ring.onChange(({ address, record }) => {
      if (record) stored.set(String(address), record);
      else stored.delete(String(address));
    });
    const newer = keyOf(2);
    const same = () => {
      const again = new KeyRing();
      for (const record of stored.values()) if (record) again.restore(record);
      expect(again.records()).toEqual(ring.records());
      for (const { address } of ring.records())
        expect(seedsIn(again, address)).toEqual(seedsIn(ring, address));
    };
    for (const change of [
      () => ring.set(ADDRESS, keyOf(1), "row 4"),
      () => ring.setPending(ADDRESS, newer),
      () => ring.noteRight(ADDRESS, newer),
      () => ring.setNewer(ADDRESS, keyOf(3)),
      () => ring.setPending(OTHER, keyOf(4)),
      () => ring.revoke(ADDRESS),
      () => ring.forget(OTHER),
    ]) {
      change();
      same();
    }
    stop();
    ring.forget(ADDRESS);
    expect(stored.size).toBe(1);
  });

  it("says when all is stored, and when it could not be", async () => {
    const ring = new KeyRing();
    const log: string[] = [];
    let finish: () => void = () => {};
    ring.onChange(async () => {
      await new Promise<void>((resolve) => {
        finish = resolve;
      });
      log.push("stored");
    });
    ring.set(ADDRESS, keyOf(1));
    const saved = ring.saved().then(() => log.push("told"));
    finish();
    await saved;
    expect(log).toEqual(["stored", "told"]);
    const cause = new Error("disk full");
    const stop = ring.onChange(() => Promise.reject(cause));
    ring.set(ADDRESS, keyOf(2));
    finish();
    await expect(ring.saved()).rejects.toMatchObject({ code: "not-stored", cause });
    stop();
    ring.onChange(() => {
      throw cause;
    });
    ring.set(ADDRESS, keyOf(3));
    finish();
    await expect(ring.saved()).rejects.toMatchObject({ code: "not-stored", cause });
    await ring.saved();
  });

  it("holds a bounded number of addresses, of 1 to 255 bytes", () => {
    const ring = new KeyRing({ addressesMax: 2 });
    ring.set(ADDRESS, keyOf(1));
    ring.revoke(OTHER);
    expect(() => ring.set(Uint8Array.of(1), keyOf(1))).toThrow(/full/);
    expect(() => ring.setPending(Uint8Array.of(1), keyOf(1))).toThrow(/full/);
    ring.set(OTHER, keyOf(1));
    expect(ring.size).toBe(2);
    for (const length of [0, 256])
      expect(() => ring.set(new Uint8Array(length), keyOf(1))).toThrow(/address/);
    ring.forget(OTHER);
    ring.set(new Uint8Array(255), keyOf(1));
    expect(ring.keysFor(new Uint8Array(255))).toHaveLength(1);
    expect(ring.keysFor(new Uint8Array(254))).toEqual([]);
    expect(() => new KeyRing({ addressesMax: 0 })).toThrow(/addressesMax/);
    const record = ring.record(ADDRESS)!;
    expect(() => ring.restore({ ...record, usedIndex: 1 })).toThrow(/do not fit/);
    expect(() => ring.restore({ ...record, isRevoked: true })).toThrow(/do not fit/);
  });

  it("shows no secrets", () => {
    const ring = new KeyRing();
    ring.set(ADDRESS, createPairKey(new Uint8Array(32).fill(0xab), "initiator"), "row 4");
    const shown = [
      String(ring),
      JSON.stringify({ ring }),
      JSON.stringify(ring.records()),
      inspect([ring, ring.records()], { showHidden: true, depth: 9 }),
    ];
    for (const text of shown) expect(text).not.toMatch(/171|ab, ?ab|abab|q6ur/i);
    expect(shown[0]).toBe("[key ring of 1 addresses]");
  });

  it("is what an endpoint needs: two speak in secret, and stop when one is revoked", async () => {
    const clock = new VirtualClock();
    const medium = new Medium({ ...presets.reference(), clock, loss: 0.1, seed: 5 });
    const rings = [new KeyRing(), new KeyRing()];
    rings[0]!.set(OTHER, keyOf(9, "initiator"));
    rings[1]!.set(ADDRESS, keyOf(9, "responder"));
    const ends: Endpoint[] = [];
    for (const [at, address] of [ADDRESS, OTHER].entries()) {
      const link = medium.attach({ address });
      ends.push(await Endpoint.open({ link, clock, protection: rings[at]! }));
    }
    const received: number[] = [];
    ends[1]!.onMessage(({ bytes }) => received.push(bytes.length));
    let isDelivered = false;
    void ends[0]!
      .peer(OTHER)
      .send(new Uint8Array(20_000))
      .then(() => {
        isDelivered = true;
      });
    await clock.run({ until: () => isDelivered });
    expect(received).toEqual([20_000]);
    rings[0]!.revoke(OTHER);
    const refused = ends[0]!.peer(OTHER).send(new Uint8Array(3));
    await expect(refused).rejects.toMatchObject({ code: "peer-revoked" });
  });
});
