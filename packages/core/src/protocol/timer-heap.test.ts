import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { TimerHeap } from "./timer-heap.js";

class Item {
  timerUs = Number.POSITIVE_INFINITY;
  heapIndex = -1;
  constructor(readonly name: number) {}
}

describe("TimerHeap", () => {
  it("gives the earliest first, like sorting, through any moves and removals", () => {
    const step = fc.record({
      at: fc.nat(19),
      us: fc.oneof(fc.nat(100), fc.constant(Number.POSITIVE_INFINITY)),
    });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 200, size: "max" }), (steps) => {
        const heap = new TimerHeap<Item>();
        const items = Array.from({ length: 20 }, (_, name) => new Item(name));
        const model = new Map<number, number>();
        for (const { at, us } of steps) {
          heap.set(items[at] as Item, us);
          if (us === Number.POSITIVE_INFINITY) model.delete(at);
          else model.set(at, us);
          expect(heap.size).toBe(model.size);
          expect(heap.earliestUs).toBe(Math.min(Number.POSITIVE_INFINITY, ...model.values()));
        }
        const drained: number[] = [];
        for (let item = heap.due(1000); item; item = heap.due(1000)) {
          expect(model.get(item.name)).toBe(item.timerUs);
          drained.push(item.timerUs);
          heap.set(item, Number.POSITIVE_INFINITY);
        }
        expect(drained).toEqual([...model.values()].sort((a, b) => a - b));
        expect(items.every(({ heapIndex }) => heapIndex === -1)).toBe(true);
      }),
      { numRuns: 500 },
    );
  });

  it("is due at its instant, not before", () => {
    const heap = new TimerHeap<Item>();
    const item = new Item(1);
    expect([heap.earliestUs, heap.due(1e9)]).toEqual([Number.POSITIVE_INFINITY, undefined]);
    heap.set(item, 50);
    expect(heap.due(49)).toBeUndefined();
    expect(heap.due(50)).toBe(item);
    // It stays until it is moved.
    expect(heap.due(50)).toBe(item);
  });

  it("removes what is not in it without harm", () => {
    const heap = new TimerHeap<Item>();
    heap.set(new Item(1), Number.POSITIVE_INFINITY);
    expect(heap.size).toBe(0);
  });
});
