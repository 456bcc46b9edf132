import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Fifo } from "./fifo.js";

describe("Fifo", () => {
  it("agrees with an array", () => {
    fc.assert(
      fc.property(fc.array(fc.boolean(), { maxLength: 300 }), (pushes) => {
        const fifo = new Fifo<number>();
        const model: number[] = [];
        for (const [index, push] of pushes.entries()) {
          if (push) {
            fifo.push(index);
            model.push(index);
          } else expect(fifo.shift()).toBe(model.shift());
        }
        while (model.length > 0) expect(fifo.shift()).toBe(model.shift());
        expect(fifo.shift()).toBeUndefined();
      }),
    );
  });

  it("keeps the order while it makes room, in a line of many thousands", () => {
    const fifo = new Fifo<number>();
    let pushed = 0;
    let shifted = 0;
    for (let round = 0; round < 5000; round++) {
      for (let count = 0; count < 3; count++) fifo.push(pushed++);
      for (let count = 0; count < 2; count++) expect(fifo.shift()).toBe(shifted++);
    }
    while (shifted < pushed) expect(fifo.shift()).toBe(shifted++);
    expect(fifo.shift()).toBeUndefined();
  });
});
