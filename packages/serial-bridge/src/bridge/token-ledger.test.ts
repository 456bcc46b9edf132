import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { TokenLedger } from "./token-ledger.js";

const tokens = (told: readonly { token: number }[]) => told.map(({ token }) => token);

describe("the last outcomes", () => {
  it("are kept by token, not by when they finished", () => {
    const ledger = new TokenLedger(4);
    const first = ledger.take(0)!;
    // Lost on the line, and finished before the first one.
    ledger.take(3);
    ledger.finish(first.number, "acknowledged");
    expect(tokens(ledger.tellAll())).toEqual([0, 2, 1]);
  });

  it("do not include what a later token has pushed out", () => {
    const ledger = new TokenLedger(2);
    const numbers = [0, 1, 2].map((token) => ledger.take(token)!.number);
    for (const number of numbers) ledger.finish(number, "sent");
    expect(tokens(ledger.tellAll())).toEqual([2, 1]);
    // A number that came round would be taken for a newer one: a count does not.
    for (let token = 3; token < 3 + 256; token++) ledger.take(token & 0xff);
    ledger.finish(numbers[2]!, "acknowledged");
    expect(ledger.tellAll()).toEqual([]);
  });

  it("are told once each without being asked, four at a time, the oldest first", () => {
    const ledger = new TokenLedger(8);
    for (let token = 0; token < 6; token++) ledger.finish(ledger.take(token)!.number, "sent");
    expect(ledger.hasUntold).toBe(true);
    expect(tokens(ledger.tellNext())).toEqual([3, 2, 1, 0]);
    expect(tokens(ledger.tellNext())).toEqual([5, 4, 3, 2]);
    expect(ledger.hasUntold).toBe(false);
  });

  it("are not told when they were pushed out before, and others are all the same", () => {
    const ledger = new TokenLedger(2);
    const [a, b] = [ledger.take(0)!.number, ledger.take(1)!.number];
    ledger.finish(b, "sent");
    ledger.finish(a, "sent");
    ledger.take(2);
    expect(tokens(ledger.tellNext())).toEqual([1]);
    expect(ledger.hasUntold).toBe(false);
  });

  it("are not waited for by anybody when they were pushed out untold", () => {
    const ledger = new TokenLedger(2);
    const [a, b] = [ledger.take(0)!.number, ledger.take(1)!.number];
    ledger.finish(b, "sent");
    ledger.tellNext();
    ledger.finish(a, "sent");
    ledger.take(2);
    expect(ledger.hasUntold).toBe(false);
  });

  it("are set once: what comes later is not believed", () => {
    const ledger = new TokenLedger(2);
    const { number } = ledger.take(0)!;
    ledger.finish(number, "unknown");
    ledger.finish(number, "acknowledged");
    expect(ledger.tellAll()).toEqual([{ token: 0, outcome: "unknown" }]);
  });
});

describe("any tokens and outcomes", () => {
  /** The same from the words of BRIDGE.md, with everything kept. */
  class Model {
    readonly finished: { number: number; outcome: string }[] = [];
    next = 0;

    take(token: number, queue: number): { number: number; lost: number } | undefined {
      const lost = (token - this.next) & 0xff;
      if (lost > queue) return undefined;
      for (let count = 0; count < lost; count++) {
        this.finished.push({ number: this.next++, outcome: "lost-on-line" });
      }
      return { number: this.next++, lost };
    }

    all(queue: number) {
      return this.finished
        .filter(({ number }) => number >= this.next - queue)
        .map(({ number, outcome }) => ({ token: number & 0xff, outcome }))
        .reverse();
    }
  }

  it("are as in a ledger that forgets nothing", () => {
    const step = fc.oneof(
      fc.record({ gap: fc.integer({ min: 0, max: 70 }) }),
      fc.record({ finish: fc.nat(80) }),
      fc.record({ tell: fc.boolean() }),
    );
    fc.assert(
      fc.property(
        fc.array(step, { maxLength: 400 }),
        fc.integer({ min: 1, max: 64 }),
        (steps, queue) => {
          const ledger = new TokenLedger(queue);
          const model = new Model();
          const open: number[] = [];
          for (const input of steps) {
            if ("gap" in input) {
              const token = (model.next + input.gap) & 0xff;
              const taken = ledger.take(token);
              expect(taken).toEqual(model.take(token, queue));
              if (taken) open.push(taken.number);
            } else if ("finish" in input) {
              const [number] = open.splice(input.finish % Math.max(1, open.length), 1);
              if (number === undefined) continue;
              ledger.finish(number, "sent");
              // What is no longer among the last ones is of no interest.
              if (number >= model.next - queue) model.finished.push({ number, outcome: "sent" });
            } else if (input.tell) ledger.tellNext();
            expect(ledger.nextToken).toBe(model.next & 0xff);
          }
          while (ledger.hasUntold) {
            const told = ledger.tellNext();
            expect(told.length).toBeLessThanOrEqual(4);
            expect(model.all(queue)).toEqual(expect.arrayContaining(told));
          }
          expect(ledger.tellAll()).toEqual(model.all(queue));
        },
      ),
      { numRuns: 300 },
    );
  });
});
