import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { MessageQueue, OutgoingMessage } from "./outgoing-message.js";

let ids = 0;

function message(): OutgoingMessage {
  return new OutgoingMessage(ids++, 0, new TextEncoder().encode("123456789"), {
    priority: "urgent",
    deadlineUs: Number.POSITIVE_INFINITY,
    afterRestart: "report",
    firstContact: "data",
    isAnswer: false,
    wantsProgress: false,
  });
}

describe("OutgoingMessage", () => {
  it("may have arrived once its last fragment is cut, and cannot before", () => {
    const one = message();
    expect([one.delivery, one.hasBegun]).toEqual(["none", false]);
    one.cutBytes = 5;
    expect([one.delivery, one.hasBegun]).toEqual(["none", true]);
    one.isCut = true;
    expect(one.delivery).toBe("unknown");
  });

  it("goes back to its beginning for another session, but keeps its counts", () => {
    const one = message();
    Object.assign(one, { cutBytes: 9, isCut: true, openFragments: 2, acknowledgedBytes: 4 });
    Object.assign(one, { fragmentsSent: 3, fragmentsRepeated: 1 });
    one.rewind();
    expect(one).toMatchObject({
      cutBytes: 0,
      isCut: false,
      openFragments: 0,
      acknowledgedBytes: 0,
    });
    expect(one).toMatchObject({ fragmentsSent: 3, fragmentsRepeated: 1, hasBegun: false });
  });

  it("has the CRC-32 of its bytes (check value of CRC-32/ISO-HDLC, from memory) and its rank", () => {
    expect(message().crc32).toBe(0xcbf4_3926);
    expect(message().rank).toBe(2);
  });
});

describe("MessageQueue", () => {
  it("is a queue from which ended messages vanish, over any calls", () => {
    const step = fc.record({
      do: fc.constantFrom("push", "push", "shift", "unshift", "end"),
      at: fc.nat(20),
    });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 120, size: "max" }), (steps) => {
        const queue = new MessageQueue();
        let model: OutgoingMessage[] = [];
        for (const { do: what, at } of steps) {
          const live = () => model.filter(({ hasEnded }) => !hasEnded);
          if (what === "push") {
            const one = message();
            queue.push(one);
            model.push(one);
          } else if (what === "shift") {
            const expected = live()[0];
            expect(queue.shift()).toBe(expected);
            model = live().slice(1);
          } else if (what === "unshift") {
            const more = [message(), message()];
            queue.unshift(more);
            model = [...more, ...model];
          } else {
            const one = model[at % Math.max(1, model.length)];
            if (one) one.hasEnded = true;
          }
          expect(queue.first).toBe(live()[0]);
          expect([...queue].filter(({ hasEnded }) => !hasEnded)).toEqual(live());
        }
      }),
    );
  });

  it("does not keep what went through it", () => {
    const queue = new MessageQueue();
    for (let i = 0; i < 5000; i++) {
      queue.push(message());
      queue.push(message());
      queue.shift();
    }
    expect(queue.length).toBe(5000);
    for (let i = 0; i < 5000; i++) queue.shift();
    expect([queue.length, queue.first, [...queue]]).toEqual([0, undefined, []]);
  });
});
