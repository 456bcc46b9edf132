import { describe, expect, it } from "vitest";
import { EventLog } from "./event-log.js";
import { ARRIVALS_TOLD_MAX, MessageNotes } from "./message-notes.js";
import { EVENTS_MAX } from "./snapshot.js";

function arrival(row: number, changes: { messages?: number; isRequest?: boolean } = {}) {
  const peer = `02:00:00:00:00:0${row}`;
  return {
    atUs: row,
    peer,
    called: `row-${row}`,
    messages: 1,
    bytes: 28,
    isRequest: false,
    ...changes,
  };
}

describe("MessageNotes", () => {
  it("tells a few messages one by one, at the time of each", () => {
    const log = new EventLog();
    const notes = new MessageNotes(log);
    notes.add(arrival(1));
    notes.add(arrival(2, { isRequest: true }));
    notes.add(arrival(3, { messages: 4 }));
    expect(log.after(0)).toEqual([]);
    notes.finish(9);
    expect(log.after(0).map(({ atUs, kind, text }) => [atUs, kind, text])).toEqual([
      [1, "message", "Message of 28 bytes from row-1."],
      [2, "request", "Request of 28 bytes from row-2."],
      [3, "message", "4 messages, together 28 bytes, from row-3."],
    ]);
  });

  it("tells many together, and begins anew in the next interval", () => {
    const log = new EventLog();
    const notes = new MessageNotes(log);
    for (let count = 0; count <= ARRIVALS_TOLD_MAX; count++) notes.add(arrival(1 + (count % 2)));
    notes.add(arrival(1, { isRequest: true }));
    notes.finish(9);
    notes.finish(10);
    notes.add(arrival(1));
    notes.finish(11);
    expect(log.after(0).map(({ atUs, text }) => [atUs, text])).toEqual([
      [9, "5 messages from 2 peers, together 140 bytes, 1 request among them."],
      [1, "Message of 28 bytes from row-1."],
    ]);
  });
});

describe("EventLog", () => {
  it("numbers events, gives the new ones, and forgets the oldest", () => {
    const log = new EventLog();
    const add = () => log.add({ atUs: 0, kind: "note", text: "A note.", isTrouble: false });
    add();
    add();
    expect(log.after(0).map(({ number }) => number)).toEqual([1, 2]);
    expect(log.after(1).map(({ number }) => number)).toEqual([2]);
    expect(log.after(2)).toEqual([]);
    // A page that knows more than there was: of another start of the gateway.
    expect(log.after(99)).toEqual([]);
    for (let count = 0; count < EVENTS_MAX; count++) add();
    const numbers = log.after(0).map(({ number }) => number);
    expect([numbers.length, numbers[0], numbers.at(-1)]).toEqual([EVENTS_MAX, 3, EVENTS_MAX + 2]);
  });
});
