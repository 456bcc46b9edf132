import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { QUEUE_MAX, STATUS_AFTER_US } from "../limits.js";
import type { Handover } from "./host-events.js";
import { TokenBook } from "./token-book.js";

function handover(number: number): Handover {
  return { to: Uint8Array.of(number & 0xff), datagram: Uint8Array.of(1), done: () => {} };
}

function filled(count: number, nowUs = 0): { book: TokenBook; handovers: Handover[] } {
  const book = new TokenBook();
  const handovers = Array.from({ length: count }, (_, index) => handover(index));
  for (const each of handovers) book.issue(each, 100, nowUs);
  return { book, handovers };
}

describe("tokens", () => {
  it("count from 0, modulo 256", () => {
    const book = new TokenBook();
    for (let count = 0; count < 600; count++) {
      const token = book.issue(handover(count), 0, 0);
      expect(token).toBe(count & 0xff);
      expect(book.finish(token, (token + 1) & 0xff, 0)).toBeDefined();
    }
  });

  it("are told of once", () => {
    const { book, handovers } = filled(3);
    expect(book.finish(1, 3, 0)).toBe(handovers[1]);
    expect(book.finish(1, 3, 0)).toBeUndefined();
    expect(book.finish(200, 3, 0)).toBeUndefined();
    expect(book.size).toBe(2);
  });

  it("that the bridge does not expect yet are not through, whatever it says", () => {
    const { book } = filled(3);
    expect(book.finish(2, 2, 0)).toBeUndefined();
    expect(book.finish(1, 2, 0)).toBeDefined();
  });

  it("that were lost are given out again", () => {
    const { book, handovers } = filled(4);
    book.finish(0, 2, 0);
    expect(book.takeLost(2, 0)).toEqual([handovers[2], handovers[3]]);
    expect(book.size).toBe(1);
    expect(book.issue(handover(9), 0, 0)).toBe(2);
  });

  it("all come back when the book is cleared, oldest first", () => {
    const { book, handovers } = filled(5);
    book.finish(0, 5, 0);
    expect(book.clear()).toEqual(handovers.slice(1));
    expect([book.size, book.issue(handover(1), 0, 0)]).toEqual([0, 0]);
  });
});

describe("being in step", () => {
  it("means that all tokens from the next one of the bridge on are outstanding", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: 300 }),
        fc.integer({ min: 1, max: QUEUE_MAX }),
        fc.uniqueArray(fc.integer({ min: 0, max: QUEUE_MAX - 1 })),
        fc.integer({ min: 0, max: 255 }),
        (start, count, finishedOnes, nextToken) => {
          const book = new TokenBook();
          for (let turn = 0; turn < start; turn++) {
            book.finish(book.issue(handover(turn), 0, 0), (turn + 1) & 0xff, 0);
          }
          const open = new Set<number>();
          for (let turn = 0; turn < count; turn++) open.add(book.issue(handover(turn), 0, 0));
          const next = (start + count) & 0xff;
          for (const index of finishedOnes.filter((each) => each < count)) {
            const token = (start + index) & 0xff;
            book.finish(token, next, 0);
            open.delete(token);
          }
          let expected = true;
          let lag = 0;
          for (let token = nextToken; token !== next; token = (token + 1) & 0xff) {
            expected &&= open.has(token);
            lag++;
          }
          expect(book.isInStep(nextToken)).toBe(expected && lag <= count);
        },
      ),
    );
  });
});

describe("outcomes that stay away", () => {
  it("are asked for 200 ms and twice the line's time after the oldest was handed over", () => {
    const { book } = filled(2, 5000);
    expect(book.questionUs).toBe(5000 + STATUS_AFTER_US + 2 * 200);
  });

  it("of the oldest, not of others: one whose outcome was lost must not wait behind the rest", () => {
    const { book } = filled(2, 0);
    book.finish(1, 2, 50_000);
    expect(book.questionUs).toBe(STATUS_AFTER_US + 2 * 100);
    book.finish(0, 2, 60_000);
    expect(book.questionUs).toBe(Number.POSITIVE_INFINITY);
    book.issue(handover(1), 0, 70_000);
    expect(book.questionUs).toBe(70_000 + STATUS_AFTER_US);
  });

  it("are asked for anew only after a while, when the answer settled nothing", () => {
    const { book } = filled(1, 0);
    book.takeLost(1, 300_000);
    expect(book.questionUs).toBe(300_000 + STATUS_AFTER_US + 2 * 100);
  });
});
