import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Budget } from "./budget.js";

describe("Budget", () => {
  it("takes nothing at all when any limit above it is reached", () => {
    const total = new Budget(100);
    const peer = new Budget(80, total);
    const other = new Budget(80, total);
    expect(peer.take(70)).toBe(true);
    expect(other.take(31)).toBe(false);
    expect([total.heldBytes, other.heldBytes, other.freeBytes]).toEqual([70, 0, 30]);
    expect(other.take(30)).toBe(true);
    expect([total.freeBytes, peer.freeBytes, other.freeBytes]).toEqual([0, 0, 0]);
    peer.give(70);
    expect([total.heldBytes, other.freeBytes]).toEqual([30, 50]);
  });

  it("counts against two parents at once", () => {
    const [left, right] = [new Budget(10), new Budget(20)];
    const both = new Budget(100, left, right);
    expect(both.freeBytes).toBe(10);
    expect(both.take(11)).toBe(false);
    expect(both.take(10)).toBe(true);
    expect([left.heldBytes, right.heldBytes]).toEqual([10, 10]);
  });

  it("counts twice what reaches a limit on two ways, and gives it back twice", () => {
    // As what waits for a gap: against the peer's own limit for that and, with it, the peer's.
    const total = new Budget(100);
    const diamond = new Budget(100, new Budget(100, total), new Budget(100, total));
    expect(diamond.take(30)).toBe(true);
    expect(total.heldBytes).toBe(60);
    diamond.give(30);
    expect(total.heldBytes).toBe(0);
  });

  it("moves what it holds to other limits", () => {
    const [strangers, total] = [new Budget(50), new Budget(1000)];
    const peer = new Budget(50, strangers);
    const part = new Budget(40, peer);
    part.take(30);
    peer.moveTo(500, total);
    expect([strangers.heldBytes, total.heldBytes, peer.heldBytes]).toEqual([0, 30, 30]);
    expect([peer.bytesMax, peer.freeBytes, part.freeBytes]).toEqual([500, 470, 10]);
    part.give(30);
    expect([total.heldBytes, peer.heldBytes]).toEqual([0, 0]);
  });

  it("never exceeds any limit in a tree, whatever is taken, given and moved", () => {
    const step = fc.record({
      at: fc.nat(3),
      bytes: fc.nat(60),
      do: fc.constantFrom("take", "give", "move"),
    });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 100, size: "max" }), (steps) => {
        const roots = [new Budget(120), new Budget(1000)];
        const peers = [new Budget(90, roots[0] as Budget), new Budget(70, roots[0] as Budget)];
        const leaves = [
          new Budget(50, peers[0] as Budget),
          new Budget(90, peers[0] as Budget),
          new Budget(70, peers[1] as Budget),
          new Budget(30, peers[1] as Budget, roots[1] as Budget),
        ];
        const held = [0, 0, 0, 0];
        for (const step of steps) {
          const leaf = leaves[step.at] as Budget;
          if (step.do === "take") {
            const isFree = leaf.freeBytes >= step.bytes;
            expect(leaf.take(step.bytes)).toBe(isFree);
            if (isFree) held[step.at] = (held[step.at] as number) + step.bytes;
          } else if (step.do === "give") {
            const bytes = Math.min(step.bytes, held[step.at] as number);
            leaf.give(bytes);
            held[step.at] = (held[step.at] as number) - bytes;
          } else {
            (peers[0] as Budget).moveTo(200, roots[1] as Budget);
          }
          for (const budget of [...roots, ...peers, ...leaves]) {
            expect(budget.heldBytes).toBeLessThanOrEqual(budget.bytesMax);
            expect(budget.heldBytes).toBeGreaterThanOrEqual(0);
          }
          expect(leaves.map(({ heldBytes }) => heldBytes)).toEqual(held);
          const sum = held.reduce((total, each) => total + each);
          const [first, second] = roots.map(({ heldBytes }) => heldBytes) as [number, number];
          expect(first + second).toBe(sum + (held[3] as number));
        }
      }),
    );
  });
});
