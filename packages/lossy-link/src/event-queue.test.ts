import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { EventQueue, type QueuedEvent } from "./event-queue.js";

function drain<T>(queue: EventQueue<T>): T[] {
  const items: T[] = [];
  for (let event = queue.takeFirst(); event; event = queue.takeFirst()) items.push(event.item);
  return items;
}

describe("EventQueue", () => {
  it("gives entries in the order of their keys", () => {
    const queue = new EventQueue<string>();
    for (const [at, item] of [
      [5, "e"],
      [1, "a"],
      [4, "d"],
      [2, "b"],
      [3, "c"],
    ] as const) {
      queue.insert(at, item);
    }
    expect(drain(queue)).toEqual(["a", "b", "c", "d", "e"]);
  });

  it("gives entries of one key in the order of their insertion", () => {
    const queue = new EventQueue<number>();
    for (let index = 0; index < 1000; index++) queue.insert(index % 2, index);
    const evens = Array.from({ length: 500 }, (_, index) => 2 * index);
    expect(drain(queue)).toEqual([...evens, ...evens.map((even) => even + 1)]);
  });

  it("agrees with a sorted list, whatever is inserted, taken and removed", () => {
    const step = fc.oneof(
      { weight: 4, arbitrary: fc.record({ kind: fc.constant("insert"), at: fc.nat(20) }) },
      { weight: 2, arbitrary: fc.record({ kind: fc.constant("remove"), at: fc.nat(1000) }) },
      { weight: 1, arbitrary: fc.record({ kind: fc.constant("take"), at: fc.constant(0) }) },
    );
    fc.assert(
      fc.property(fc.array(step, { maxLength: 200 }), (steps) => {
        const queue = new EventQueue<number>();
        const everInserted: QueuedEvent<number>[] = [];
        let model: QueuedEvent<number>[] = [];
        for (const [index, { kind, at }] of steps.entries()) {
          if (kind === "insert") {
            const event = queue.insert(at, index);
            everInserted.push(event);
            model.push(event);
          } else if (kind === "remove" && everInserted.length > 0) {
            // Also such that have left long ago.
            const event = everInserted[at % everInserted.length]!;
            expect(queue.remove(event)).toBe(model.includes(event));
            model = model.filter((other) => other !== event);
          } else if (kind === "take") {
            model.sort((a, b) => a.at - b.at || a.order - b.order);
            expect(queue.first()).toBe(model[0]);
            expect(queue.takeFirst()).toBe(model.shift());
          }
          expect(queue.size).toBe(model.length);
        }
        model.sort((a, b) => a.at - b.at || a.order - b.order);
        expect(drain(queue)).toEqual(model.map((event) => event.item));
      }),
    );
  });

  it("keeps its order when many are removed, so that what fills their gaps goes up and down", () => {
    const entries = fc.array(fc.tuple(fc.nat(1000), fc.boolean()), {
      minLength: 30,
      maxLength: 60,
    });
    fc.assert(
      fc.property(entries, (list) => {
        const queue = new EventQueue<number>();
        const events = list.map(([at]) => queue.insert(at, at));
        for (const [index, [, keep]] of list.entries()) {
          if (!keep) expect(queue.remove(events[index]!)).toBe(true);
        }
        const kept = list.filter(([, keep]) => keep).map(([at]) => at);
        expect(drain(queue)).toEqual(kept.sort((a, b) => a - b));
      }),
      { numRuns: 1000 },
    );
  });

  it("does not remove an entry of another queue", () => {
    const one = new EventQueue<number>();
    const other = new EventQueue<number>();
    const stranger = one.insert(1, 1);
    other.insert(1, 2);
    expect(other.remove(stranger)).toBe(false);
    expect(other.size).toBe(1);
    expect(one.remove(stranger)).toBe(true);
  });
});
