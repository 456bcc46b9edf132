import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ReadyList } from "./ready-list.js";

class Item {
  readyMask = 0;
  constructor(readonly name: string) {}
}

describe("ReadyList", () => {
  it("serves higher ranks first, and those of one rank in turns", () => {
    const list = new ReadyList<Item>();
    const [a, b, c] = [new Item("a"), new Item("b"), new Item("c")];
    for (const item of [a, b, c]) list.offer(item, 1);
    const order: string[] = [];
    for (let turn = 0; turn < 9; turn++) {
      const taken = list.take();
      if (!taken) break;
      order.push(taken.item.name);
      list.offer(taken.item, 1);
      if (turn === 4) list.offer(b, 3);
    }
    expect(order.join("")).toBe("abcabbcab");
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
      at: fc.nat(9),
      rank: fc.integer({ min: -1, max: 3 }),
      take: fc.boolean(),
    });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 400, size: "max" }), (steps) => {
        const list = new ReadyList<Item>();
        const items = Array.from({ length: 10 }, (_, at) => new Item(String(at)));
        const queues: Item[][] = [[], [], [], []];
        let inARow = 0;
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
            if (expected !== undefined) expect(taken?.item).toBe(queues[expected]?.shift());
          } else {
            list.offer(item, rank);
            if (rank >= 0 && !queues[rank]?.includes(item)) queues[rank]?.push(item);
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
