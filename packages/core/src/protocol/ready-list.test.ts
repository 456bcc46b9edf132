import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ReadyList, TURN_DATAGRAMS } from "./ready-list.js";

class Item {
  readyMask = 0;
  constructor(readonly name: string) {}
}

describe("ReadyList", () => {
  /** Each that is taken waits again at once, under the same rank. */
  function served(rank: number, turns: number, urgentAt = -1): string {
    const list = new ReadyList<Item>();
    const [a, b, c] = [new Item("a"), new Item("b"), new Item("c")];
    for (const item of [a, b, c]) list.offer(item, rank);
    let order = "";
    for (let turn = 0; turn < turns; turn++) {
      const taken = list.take();
      if (!taken) break;
      order += taken.item.name;
      list.offer(taken.item, taken.rank === 3 ? -1 : rank);
      if (turn === urgentAt) list.offer(b, 3);
    }
    return order;
  }

  it("serves higher ranks first, and those of one rank in turns", () => {
    expect(served(2, 9, 4)).toBe("abcabbcab");
  });

  it("lets normal and bulk ones keep their turn for some datagrams", () => {
    const [a, b, c] = ["a", "b", "c"].map((name) => name.repeat(TURN_DATAGRAMS));
    for (const rank of [0, 1]) expect(served(rank, 4 * TURN_DATAGRAMS)).toBe(`${a}${b}${c}${a}`);
    expect(served(1, TURN_DATAGRAMS + 2, 4)).toBe(`aaaaab${"a".repeat(TURN_DATAGRAMS - 5)}b`);
  });

  it("gives the turn to the next one as soon as there is nothing more to send", () => {
    const list = new ReadyList<Item>();
    const [a, b] = [new Item("a"), new Item("b")];
    list.offer(a, 0);
    list.offer(b, 0);
    expect(list.take()?.item).toBe(a);
    expect(list.take()?.item).toBe(b);
    list.offer(a, 0);
    list.offer(b, 0);
    // It was b's turn, and still is.
    expect(list.take()?.item).toBe(b);
    list.forget(b);
    list.offer(b, 0);
    expect(list.take()?.item).toBe(a);
  });

  it("keeps an item once for each rank, and forgets it when it is taken", () => {
    const list = new ReadyList<Item>();
    const item = new Item("a");
    list.offer(item, 2);
    list.offer(item, 2);
    list.offer(item, 0);
    list.offer(item, -1);
    expect(list.take()).toEqual({ item, rank: 2 });
    expect(list.take()).toEqual({ item, rank: 0 });
    expect(list.take()).toBeUndefined();
    expect(item.readyMask).toBe(0);
  });

  it("behaves like a queue for each rank, over any offers and takes", () => {
    const step = fc.record({
      at: fc.oneof(fc.nat(9), fc.nat(1)),
      rank: fc.integer({ min: -1, max: 3 }),
      take: fc.boolean(),
    });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 400, size: "max" }), (steps) => {
        const list = new ReadyList<Item>();
        const items = Array.from({ length: 10 }, (_, at) => new Item(String(at)));
        const queues: Item[][] = [[], [], [], []];
        let inARow = 0;
        let holder: { item: Item; rank: number; left: number } | undefined;
        for (const { at, rank, take } of steps) {
          const item = items[at] as Item;
          if (take) {
            const isWaiting = (each: number) => (queues[each] as Item[]).length > 0;
            // After three of the highest in a row one of the others goes first, if there is one.
            const others = [2, 1, 0].find(isWaiting);
            const expected = isWaiting(3) && (inARow < 3 || others === undefined) ? 3 : others;
            inARow = expected === 3 ? inARow + 1 : expected === undefined ? inARow : 0;
            const taken = list.take();
            expect(taken?.rank).toBe(expected);
            if (expected === undefined) continue;
            const next = queues[expected]?.shift() as Item;
            expect(taken?.item).toBe(next);
            if (expected > 1) continue;
            const goesOn = holder?.item === next && holder.rank === expected && holder.left > 0;
            const left = (goesOn && holder ? holder.left : TURN_DATAGRAMS) - 1;
            holder = { item: next, rank: expected, left };
          } else {
            list.offer(item, rank);
            if (rank < 0 || queues[rank]?.includes(item)) continue;
            const keepsTurn = holder?.item === item && holder.rank === rank && holder.left > 0;
            if (keepsTurn) queues[rank]?.unshift(item);
            else queues[rank]?.push(item);
          }
        }
      }),
    );
  });

  it("holds no more than what waits, though a lower rank starves", () => {
    const list = new ReadyList<Item>();
    const [busy, starved] = [new Item("busy"), new Item("starved")];
    list.offer(starved, 0);
    list.offer(busy, 2);
    let others = 0;
    for (let turn = 0; turn < 100_000; turn++) {
      if (list.take()?.item !== busy) others++;
      // Both are offered again at each turn, as a protocol does.
      list.offer(starved, 0);
      list.offer(busy, 2);
    }
    expect(others).toBe(0);
    expect(list.take()?.item).toBe(busy);
    expect(list.take()?.item).toBe(starved);
    expect(list.take()).toBeUndefined();
  });
});
