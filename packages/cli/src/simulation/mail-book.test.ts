import type { Message, Way } from "@fardel/core";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { messageBody, numberIn } from "./bodies.js";
import { MailBook } from "./mail-book.js";

const arrival = (bytes: Uint8Array, way: Way = "ordered", channel = 1) =>
  ({ bytes, way, channel }) as Message;

function enter(book: MailBook, fields: { bytes: number; way?: Way; from?: number; to?: number }) {
  const { bytes, way = "ordered", from = 0, to = 1 } = fields;
  return book.enter({ entry: 0, from, to, bytes, way, sentUs: 0 });
}

describe("the content of a message", () => {
  it("says which message it is, and is the same each time", () => {
    fc.assert(
      fc.property(fc.nat(100_000), fc.integer({ min: 4, max: 300 }), (number, bytes) => {
        expect(numberIn(messageBody(number, bytes))).toBe(number);
        expect(messageBody(number, bytes)).toEqual(messageBody(number, bytes));
      }),
    );
  });

  it("differs in its tail between two messages of one length", () => {
    expect(messageBody(1, 40).slice(4)).not.toEqual(messageBody(2, 40).slice(4));
  });
});

describe("what arrives", () => {
  it.each([0, 1, 3, 4, 5, 300])("is found, of %i bytes", (bytes) => {
    const book = new MailBook();
    const { mail, body } = enter(book, { bytes });
    expect(book.deliver(0, 1, arrival(body), 7)).toBe(mail);
    expect(mail.deliveredUs).toBe(7);
  });

  it.each([0, 3, 4, 300])("twice is a breach, of %i bytes", (bytes) => {
    const book = new MailBook();
    const { body } = enter(book, { bytes });
    book.deliver(0, 1, arrival(body), 7);
    expect(book.deliver(0, 1, arrival(body), 8)).toBe("delivered twice");
  });

  it("altered in any one byte is a breach", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 5, max: 200 }),
        fc.nat(),
        fc.integer({ min: 1, max: 255 }),
        (bytes, at, by) => {
          const book = new MailBook();
          const { body } = enter(book, { bytes });
          const altered = body.slice();
          altered[at % bytes]! ^= by;
          expect(book.deliver(0, 1, arrival(altered), 7)).toBe("altered or never sent");
        },
      ),
    );
  });

  it.each([
    ["cut short", (body: Uint8Array) => body.slice(0, -1)],
    ["longer", (body: Uint8Array) => Uint8Array.of(...body, 0)],
  ])("%s is a breach", (_, change) => {
    const book = new MailBook();
    const { body } = enter(book, { bytes: 50 });
    expect(book.deliver(0, 1, arrival(change(body)), 7)).toBe("altered or never sent");
  });

  it("from or at the wrong station, or in another way, is a breach", () => {
    const book = new MailBook();
    const { body } = enter(book, { bytes: 50 });
    const short = enter(book, { bytes: 2 }).body;
    for (const bytes of [body, short]) {
      expect(book.deliver(2, 1, arrival(bytes), 7)).toBe("altered or never sent");
      expect(book.deliver(0, 2, arrival(bytes), 7)).toBe("altered or never sent");
      expect(book.deliver(0, 1, arrival(bytes, "unordered"), 7)).toBe("altered or never sent");
    }
  });

  it.each(["ordered", "latest"] as const)("out of order is a breach where %s", (way) => {
    const book = new MailBook();
    const [first, second] = [enter(book, { bytes: 9, way }), enter(book, { bytes: 9, way })];
    expect(book.deliver(0, 1, arrival(second.body, way), 7)).toBe(second.mail);
    expect(book.deliver(0, 1, arrival(first.body, way), 8)).toBe("out of order");
  });

  it("may come in any order where it is unordered, and on another channel", () => {
    const book = new MailBook();
    const [one, two] = [0, 1].map(() => enter(book, { bytes: 9, way: "unordered" }));
    expect(book.deliver(0, 1, arrival(two!.body, "unordered"), 7)).toBe(two!.mail);
    expect(book.deliver(0, 1, arrival(one!.body, "unordered"), 8)).toBe(one!.mail);
    const [three, four] = [0, 1].map(() => enter(book, { bytes: 9 }));
    expect(book.deliver(0, 1, arrival(four!.body, "ordered", 2), 9)).toBe(four!.mail);
    expect(book.deliver(0, 1, arrival(three!.body, "ordered", 1), 9)).toBe(three!.mail);
  });

  it("and cannot be told apart counts once for each that was sent", () => {
    const book = new MailBook();
    for (let count = 0; count < 3; count++) enter(book, { bytes: 0, way: "unordered" });
    const outcomes = [1, 2, 3, 4].map((us) =>
      book.deliver(0, 1, arrival(new Uint8Array(), "unordered"), us),
    );
    expect(outcomes.map((each) => typeof each)).toEqual(["object", "object", "object", "string"]);
    expect(new Set(outcomes).size).toBe(4);
  });
});
