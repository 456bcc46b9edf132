import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { EVENT_CHARACTERS_MAX, EventStreamReader } from "./event-stream.js";

const STREAM = [
  ":\n\n",
  'event: snapshot\ndata: {"a":1}\n\n',
  "id: 7\nretry: 10\ndata: one\ndata:two\n\n",
  "event: nothing\n\n",
  "event: ended\r\ndata: {}\r\n\r\n",
].join("");
const EVENTS = [
  { name: "snapshot", data: '{"a":1}' },
  { name: "message", data: "one\ntwo" },
  { name: "ended", data: "{}" },
];

function readAll(...pieces: readonly string[]) {
  const reader = new EventStreamReader();
  return pieces.flatMap((piece) => reader.read(piece));
}

describe("EventStreamReader", () => {
  it("reads events whole, and character by character", () => {
    expect(readAll(STREAM)).toEqual(EVENTS);
    expect(readAll(...STREAM)).toEqual(EVENTS);
  });

  it("reads what comes after garbage, and waits for what is not whole", () => {
    expect(readAll("!?\u0000: x\n\n", STREAM)).toEqual(EVENTS);
    expect(readAll(STREAM, "data: half\n")).toEqual(EVENTS);
    expect(readAll(STREAM, "data: half\n", "\n")).toHaveLength(EVENTS.length + 1);
  });

  it("gives the same however the stream is cut", () => {
    const cuts = fc.array(fc.nat({ max: STREAM.length }), { maxLength: 12 });
    fc.assert(
      fc.property(cuts, (places) => {
        const sorted = [0, ...[...places].sort((one, other) => one - other), STREAM.length];
        const pieces = sorted.slice(1).map((end, index) => STREAM.slice(sorted[index], end));
        expect(readAll(...pieces)).toEqual(EVENTS);
      }),
    );
  });

  it("never throws at what is short, whatever it is", () => {
    fc.assert(
      fc.property(fc.array(fc.string()), (pieces) => {
        for (const { name, data } of readAll(...pieces)) expect(name + data).toBeTypeOf("string");
      }),
    );
  });

  it("refuses an event that has no end", () => {
    const reader = new EventStreamReader();
    const piece = "x".repeat(EVENT_CHARACTERS_MAX);
    expect(reader.read(piece)).toEqual([]);
    expect(() => reader.read("x")).toThrow("longer than any that a gateway sends");
    const lines = new EventStreamReader();
    const line = `data: ${"x".repeat(EVENT_CHARACTERS_MAX / 4)}\n`;
    expect(() => {
      for (let count = 0; count < 6; count++) lines.read(line);
    }).toThrow("longer than any that a gateway sends");
  });
});
