import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { BridgeFrame, TokenOutcome } from "../bridge-frames.js";
import { frameBytes } from "../frame-writer.js";
import { datagram, EVERYBODY, FACTS, ScriptedHost, station } from "./scripted-host.js";

const MS = 1000;
const S = 1_000_000;

function greeted(options: ConstructorParameters<typeof ScriptedHost>[0] = {}): ScriptedHost {
  const host = new ScriptedHost(options);
  host.greet();
  return host;
}

function helloOf(host: number): object {
  const facts = FACTS;
  return { type: "hello", versionMin: 1, versionMax: 1, host, bridge: 0xb1, facts };
}

/** The outcomes of all STATUS frames, as `token: outcome`. */
function outcomesIn(frames: readonly BridgeFrame[]): string[] {
  return frames.flatMap((frame) =>
    frame.type === "status"
      ? frame.outcomes.map(({ token, outcome }) => `${token}: ${outcome}`)
      : [],
  );
}

function typesOf(frames: readonly BridgeFrame[]): string[] {
  return frames.map(({ type }) => type);
}

const STATUS = (request: number) => ({ type: "status-request", request }) as const;
const HELLO = (host: number, versionMin = 1, versionMax = 1) =>
  ({ type: "hello-request", versionMin, versionMax, host }) as const;

describe("a session", () => {
  it("is not there at boot: HELLO with host 0, once", () => {
    const host = new ScriptedHost();
    expect(host.heard()).toEqual([helloOf(0)]);
    host.pass(60 * S);
    expect(host.heard()).toEqual([]);
    expect(host.core.isInSession).toBe(false);
  });

  it("begins with HELLO? and its answer", () => {
    const host = new ScriptedHost();
    host.heard();
    host.say(HELLO(0x9a3f));
    expect(host.heard()).toEqual([helloOf(0x9a3f)]);
    expect(host.core.isInSession).toBe(true);
  });

  it("goes on when HELLO? is repeated: answered, and nothing changes", () => {
    const host = greeted();
    host.send(station(1), datagram(7));
    host.core.handleReceived(station(2), -60, datagram(8));
    host.say(HELLO(0xa0));
    const frames = host.heard();
    expect(frames[0]).toEqual(helloOf(0xa0));
    expect(typesOf(frames)).toEqual(["hello", "received"]);
    expect(host.transmitAll()).toHaveLength(1);
    // The next token is still 1, and the address still implied.
    host.send(station(1), datagram(9), true);
    expect(host.transmitAll()).toHaveLength(1);
    expect(outcomesIn(host.heard())).toEqual(["1: sent", "0: sent"]);
  });

  it("of another host makes it forget what the earlier one left", () => {
    const host = greeted();
    host.core.handleReceived(station(2), -60, datagram(8));
    host.heard();
    for (let mark = 0; mark < 4; mark++) host.send(station(1), datagram(mark));
    host.radio();
    host.core.handleReceived(station(2), -60, datagram(8));
    host.say({ type: "statistics-request", request: 3 }, STATUS(4));
    host.say(HELLO(0xa1));
    expect(host.heard()).toEqual([helloOf(0xa1)]);
    expect(host.radio()).toEqual([]);
    // Next token 0, next sequence 0.
    host.core.handleReceived(station(2), -60, datagram(9));
    host.token = 0;
    host.send(station(1), datagram(5));
    expect(host.heard()).toMatchObject([{ type: "received", sequence: 0, again: false }]);
    expect(host.transmitAll()).toEqual([]);
  });

  it("keeps to itself what became of the datagram that an earlier host left with the radio", () => {
    const host = greeted();
    for (let mark = 0; mark < 4; mark++) host.send(station(1), datagram(mark));
    const [old] = host.radio();
    host.greet(0xa1);
    host.send(station(1), datagram(5));
    host.send(station(1), datagram(6));
    // The radio has its hands full still.
    expect(host.radio()).toEqual([]);
    host.core.handleTransmitted(old!.transmission, "acknowledged");
    expect(host.heard()).toEqual([]);
    expect(host.radio()).toMatchObject([{ datagram: datagram(5) }]);
    host.core.handleTransmitted(host.orders.at(-1)!.transmission, "sent");
    expect(outcomesIn(host.heard())).toEqual(["0: sent"]);
  });

  it("forgets the implied address of the one before", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.greet(0xa1);
    host.transmitAll();
    const { length } = host.orders;
    host.send(station(1), datagram(2), true);
    expect(host.transmitAll()).toHaveLength(0);
    expect(host.orders).toHaveLength(length);
    expect(host.counts[2]).toBe(1);
  });

  it("does not begin in a version that it does not speak, but says which it does", () => {
    const host = greeted();
    host.say(HELLO(0xa1, 2, 9));
    expect(host.heard()).toEqual([helloOf(0xa1)]);
    expect(host.core.isInSession).toBe(false);
    host.say(HELLO(0xa1, 1, 9));
    expect(host.core.isInSession).toBe(true);
  });

  it("ends at GOODBYE; what was handed over still goes out, and nothing is told", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.say({ type: "goodbye" });
    expect(host.core.isInSession).toBe(false);
    expect(host.transmitAll()).toHaveLength(1);
    host.core.handleReceived(station(2), -60, datagram(8));
    expect(host.heard()).toEqual([]);
  });

  it("ends when no good frame comes for 10 s; anything undamaged prolongs it", () => {
    const host = greeted();
    host.pass(9 * S);
    // Of unknown type, but undamaged.
    host.write(frameBytes(Uint8Array.of(0x55), { framing: "cobs", leadingDelimiter: true }));
    host.pass(10 * S - 1);
    expect(host.core.isInSession).toBe(true);
    // Noise is no sign of life.
    host.write(Uint8Array.of(0, 1, 2, 3, 0));
    host.pass(1);
    expect(host.core.isInSession).toBe(false);
    expect(host.core.timeoutUs).toBe(Number.POSITIVE_INFINITY);
  });

  it.each([
    [{ type: "send", token: 0, to: station(1), datagram: datagram(1), again: false }],
    [{ type: "channel-request", request: 1, channel: 3 }],
    [STATUS(1)],
    [{ type: "statistics-request", request: 1 }],
  ] as const)("is wanted first: without it %j is answered by HELLO with host 0", (frame) => {
    const host = new ScriptedHost();
    host.heard();
    host.nowUs = 5 * S;
    host.say(frame, frame);
    expect(host.heard()).toEqual([helloOf(0)]);
    // At most once in 100 ms.
    host.nowUs += 100 * MS - 1;
    host.say(frame);
    expect(host.heard()).toEqual([]);
    host.nowUs += 1;
    host.say(frame);
    expect(host.heard()).toEqual([helloOf(0)]);
    expect(host.radio()).toEqual([]);
    expect(host.core.pollChannel()).toBeUndefined();
  });

  it("is not needed for LOG, and GOODBYE without one means nothing", () => {
    const host = new ScriptedHost();
    host.heard();
    host.say({ type: "goodbye" });
    host.core.log(4, "row 3: fan stands still");
    expect(host.heard()).toEqual([{ type: "log", level: 4, text: "row 3: fan stands still" }]);
  });

  it("knows SEND-AGAIN also when the session has just ended", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.pass(11 * S);
    host.send(station(1), datagram(2), true);
    expect(host.heard()).toEqual([helloOf(0)]);
  });
});

describe("a token", () => {
  it("that is the next one: its datagram goes to the radio, and its outcome back", () => {
    const host = greeted();
    host.send(station(1), datagram(7, 50));
    const [order] = host.radio();
    expect(order).toMatchObject({ to: station(1), datagram: datagram(7, 50) });
    expect(host.heard()).toEqual([]);
    host.core.handleTransmitted(order!.transmission, "acknowledged");
    expect(host.heard()).toEqual([
      {
        type: "status",
        request: 0,
        nextToken: 1,
        outcomes: [{ token: 0, outcome: "acknowledged" }],
      },
    ]);
  });

  it("comes round after 255", () => {
    const host = greeted();
    for (let count = 0; count < 600; count++) {
      host.send(station(1), datagram(count));
      expect(host.transmitAll()).toHaveLength(1);
      expect(outcomesIn(host.heard())[0]).toBe(`${count & 0xff}: sent`);
    }
    expect(host.counts[8]).toBe(0);
  });

  it.each([1, 2, 3])("after a gap of %i: lost on the line for each, then it is taken", (gap) => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.token += gap;
    host.send(station(1), datagram(2));
    const lost = Array.from({ length: gap }, (_, index) => `${1 + index}: lost-on-line`);
    const frames = host.heard();
    expect(outcomesIn(frames)).toEqual(lost.reverse());
    expect(frames).toMatchObject([{ nextToken: gap + 2 }]);
    expect(host.transmitAll().map((order) => order.datagram[0])).toEqual([1, 2]);
    expect(host.counts[8]).toBe(gap);
  });

  it("after a gap as wide as the queue is taken, after a wider one it is damage", () => {
    const host = greeted();
    host.token = 5;
    host.send(station(1), datagram(1));
    expect(host.heard()).toEqual([]);
    expect(host.radio()).toEqual([]);
    expect(host.counts[2]).toBe(1);
    host.token = 4;
    host.send(station(1), datagram(2));
    expect(host.radio()).toHaveLength(1);
    // The first of the four is no longer among the last four tokens.
    expect(outcomesIn(host.heard())).toEqual([
      "3: lost-on-line",
      "2: lost-on-line",
      "1: lost-on-line",
    ]);
  });

  it("that is old is damage: nothing is sent twice, nothing changes", () => {
    const host = greeted();
    const old = host.bytesOf({
      type: "send",
      token: 0,
      to: station(1),
      datagram: datagram(1),
      again: false,
    });
    host.write(old);
    host.write(old);
    expect(host.transmitAll()).toHaveLength(1);
    expect(host.counts[2]).toBe(1);
    host.say(STATUS(9));
    expect(host.heard()).toMatchObject([{ request: 9, nextToken: 1, outcomes: [{ token: 0 }] }]);
  });

  it("without a place in the queue: queue-full", () => {
    const host = greeted();
    for (let mark = 0; mark < 5; mark++) host.send(station(1), datagram(mark));
    expect(outcomesIn(host.heard())).toEqual(["4: queue-full"]);
    expect(host.transmitAll().map((order) => order.datagram[0])).toEqual([0, 1, 2, 3]);
    expect(host.counts[7]).toBe(1);
  });

  it("keeps its place until the radio has said what became of it", () => {
    const host = greeted();
    for (let mark = 0; mark < 4; mark++) host.send(station(1), datagram(mark));
    const [first] = host.radio();
    host.send(station(1), datagram(4));
    expect(outcomesIn(host.heard())).toEqual(["4: queue-full"]);
    host.core.handleTransmitted(first!.transmission, "sent");
    host.send(station(1), datagram(5));
    expect(host.transmitAll()).toHaveLength(4);
  });

  it("whose datagram is longer than the radio takes: not-taken", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    // A short frame has room for six bytes more.
    host.send(station(1), datagram(2, 51), true);
    host.send(station(1), datagram(3, 50), true);
    expect(outcomesIn(host.heard())).toEqual(["1: not-taken"]);
    expect(host.transmitAll().map((order) => order.datagram[0])).toEqual([1, 3]);
  });

  it("whose frame is longer than any frame is lost on the line", () => {
    const host = greeted();
    host.send(station(1), datagram(1, 51));
    expect(host.heard()).toEqual([]);
    expect(host.counts[2]).toBe(1);
    host.send(station(1), datagram(2));
    expect(outcomesIn(host.heard())).toEqual(["0: lost-on-line"]);
  });

  it("of an empty datagram is one like any other", () => {
    const host = greeted();
    host.send(station(1), new Uint8Array(0));
    expect(host.transmitAll()).toMatchObject([{ datagram: new Uint8Array(0) }]);
  });

  it.each<[TokenOutcome]>([["sent"], ["acknowledged"], ["not-acknowledged"], ["not-taken"]])(
    "ends as the radio says: %s",
    (outcome) => {
      const host = greeted();
      host.send(station(1), datagram(1));
      const [order] = host.radio();
      host.core.handleTransmitted(order!.transmission, outcome as "sent");
      expect(outcomesIn(host.heard())).toEqual([`0: ${outcome}`]);
    },
  );
});

describe("an implied address", () => {
  it("that the bridge missed gives a wrong CRC: never a wrong address", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    // This one is lost on the line, and with it the address.
    host.token++;
    host.send(station(2), datagram(3), true);
    host.send(station(2), datagram(4), true);
    host.send(station(2), datagram(5), false);
    host.send(station(2), datagram(6), true);
    const orders = host.transmitAll();
    expect(orders.map(({ to, datagram: bytes }) => [to.at(-1), bytes[0]])).toEqual([
      [1, 1],
      [2, 5],
      [2, 6],
    ]);
    expect(outcomesIn(host.heard())).toContain("3: lost-on-line");
    expect(host.counts[2]).toBe(2);
  });

  it("is that of a SEND whose datagram was not taken, too", () => {
    const host = greeted();
    for (let mark = 0; mark < 4; mark++) host.send(station(1), datagram(mark));
    host.send(station(2), datagram(4));
    host.transmitAll();
    host.send(station(2), datagram(5), true);
    expect(host.transmitAll()).toMatchObject([{ to: station(2), datagram: datagram(5) }]);
  });
});

describe("the radio", () => {
  it("gets datagrams in the order of their tokens, one at a time", () => {
    const host = greeted();
    for (let mark = 0; mark < 4; mark++) host.send(station(mark), datagram(mark));
    expect(host.radio()).toHaveLength(1);
    expect(host.radio()).toHaveLength(0);
    host.core.handleTransmitted(host.orders[0]!.transmission, "sent");
    expect(host.radio()).toMatchObject([{ datagram: datagram(1) }]);
  });

  it("gets as many at once as it takes, and may finish them in any order", () => {
    const host = greeted({ radioDepth: 3 });
    for (let mark = 0; mark < 4; mark++) host.send(station(1), datagram(mark));
    const [, , third] = host.radio();
    expect(host.orders).toHaveLength(3);
    host.core.handleTransmitted(third!.transmission, "acknowledged");
    expect(outcomesIn(host.heard())).toEqual(["2: acknowledged"]);
    expect(host.radio()).toMatchObject([{ datagram: datagram(3) }]);
  });

  it("that is silent for 1 s: unknown, and the next one goes out", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.send(station(1), datagram(2));
    host.radio();
    host.pass(1 * S - 1);
    expect(host.heard()).toEqual([]);
    host.pass(1);
    expect(outcomesIn(host.heard())).toEqual(["0: unknown"]);
    expect(host.radio()).toMatchObject([{ datagram: datagram(2) }]);
    // What it says about the first one now comes too late.
    host.core.handleTransmitted(host.orders[0]!.transmission, "acknowledged");
    expect(host.heard()).toEqual([]);
    host.core.handleTransmitted(host.orders[1]!.transmission, "sent");
    expect(outcomesIn(host.heard())).toEqual(["1: sent", "0: unknown"]);
    expect(host.counts.slice(4)).toEqual([2, 0, 0, 0, 0, 0, 0, 0, 1]);
  });

  it("may say the same twice", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.send(station(1), datagram(2));
    const [first] = host.radio();
    host.core.handleTransmitted(first!.transmission, "sent");
    host.core.handleTransmitted(first!.transmission, "acknowledged");
    expect(outcomesIn(host.heard())).toEqual(["0: sent"]);
    expect(host.transmitAll()).toHaveLength(1);
  });
});

describe("STATUS", () => {
  it("that nobody asked for repeats the last outcomes, four at most, the last finished first", () => {
    const host = greeted();
    for (let mark = 0; mark < 6; mark++) {
      host.send(station(1), datagram(mark));
      host.transmitAll();
      const last = [mark, mark - 1, mark - 2, mark - 3].filter((token) => token >= 0);
      expect(outcomesIn(host.heard())).toEqual(last.map((token) => `${token}: sent`));
    }
  });

  it("comes again when more than four have finished since the last one", () => {
    const host = greeted({ facts: { ...FACTS, queue: 16 } });
    host.token = 10;
    host.send(station(1), datagram(1));
    const frames = host.heard();
    expect(frames).toHaveLength(3);
    const told = frames.map((frame) =>
      outcomesIn([frame]).map((text) => Number.parseInt(text, 10)),
    );
    expect(told).toEqual([
      [3, 2, 1, 0],
      [7, 6, 5, 4],
      [9, 8, 7, 6],
    ]);
  });

  it("answers with all that are finished among the last `queue` tokens", () => {
    const host = greeted({ facts: { ...FACTS, queue: 8 }, radioDepth: 8 });
    for (let mark = 0; mark < 12; mark++) {
      host.send(station(1), datagram(mark));
      const [order] = host.radio();
      if (mark !== 9) host.core.handleTransmitted(order!.transmission, "acknowledged");
    }
    host.heard();
    host.say(STATUS(200));
    const [answer] = host.heard();
    expect(answer).toMatchObject({ type: "status", request: 200, nextToken: 12 });
    expect(outcomesIn([answer!])).toEqual(
      [11, 10, 8, 7, 6, 5, 4].map((token) => `${token}: acknowledged`),
    );
  });

  it("does not lose the outcome of one that waits long among others that are quick", () => {
    const host = greeted({ radioDepth: 4 });
    host.send(station(1), datagram(0));
    const [slow] = host.radio();
    // The queue allows three more before the first must be known.
    for (let mark = 1; mark < 4; mark++) {
      host.send(station(2), datagram(mark));
      const [quick] = host.radio();
      host.core.handleTransmitted(quick!.transmission, "sent");
    }
    host.core.handleTransmitted(slow!.transmission, "acknowledged");
    host.heard();
    host.say(STATUS(1));
    expect(outcomesIn(host.heard())).toEqual(["0: acknowledged", "3: sent", "2: sent", "1: sent"]);
  });

  it("answers the newer of two questions that come together", () => {
    const host = greeted();
    host.say(STATUS(1), STATUS(2));
    expect(host.heard()).toEqual([{ type: "status", request: 2, nextToken: 0, outcomes: [] }]);
  });

  it("ends what was to be told unasked", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.transmitAll();
    host.say(STATUS(7));
    expect(host.heard()).toEqual([
      { type: "status", request: 7, nextToken: 1, outcomes: [{ token: 0, outcome: "sent" }] },
    ]);
  });
});

describe("RECEIVED", () => {
  it("comes for each datagram heard, in order, numbered from 0 modulo 256", () => {
    const host = greeted();
    for (let count = 0; count < 300; count++) {
      host.core.handleReceived(station(5), count % 2 ? -61 : undefined, datagram(count));
      expect(host.heard()).toMatchObject([
        {
          sequence: count & 0xff,
          rssiDbm: count % 2 ? -61 : undefined,
          from: station(5),
          datagram: datagram(count),
        },
      ]);
    }
    expect(host.counts[9]).toBe(300);
  });

  it("leaves the address out at most three times in a row, and only for the same sender", () => {
    const host = greeted({ heardMax: 20 });
    const from = [1, 1, 1, 1, 1, 1, 2, 2, 1, 1];
    for (const number of from) host.core.handleReceived(station(number), -70, datagram(number));
    const frames = host.heard();
    expect(frames.map((frame) => frame.type === "received" && frame.again)).toEqual([
      false,
      true,
      true,
      true,
      false,
      true,
      false,
      true,
      false,
      true,
    ]);
    expect(frames.map((frame) => frame.type === "received" && frame.from.at(-1))).toEqual(from);
  });

  it("names a sender that is another one, also where there is room for only one datagram", () => {
    const host = greeted({ heardMax: 1 });
    const frames = [1, 2, 2].flatMap((number) => {
      host.core.handleReceived(station(number), -70, datagram(number));
      return host.heard(false);
    });
    expect(frames).toMatchObject([
      { from: station(1), again: false },
      { from: station(2), again: false },
      { from: station(2), again: true },
    ]);
  });

  it("names its sender behind every pause, and else only where it must", () => {
    const sender = fc.integer({ min: 1, max: 2 });
    const burst = fc.record({ from: fc.array(sender, { maxLength: 9 }), hasPause: fc.boolean() });
    fc.assert(
      fc.property(fc.array(burst, { maxLength: 9 }), (bursts) => {
        const host = greeted({ heardMax: 9 });
        // Sender of the last frame, and frames that may leave it out still.
        let known = 0;
        let left = 0;
        for (const { from, hasPause } of bursts) {
          for (const number of from) host.core.handleReceived(station(number), -70, datagram(1));
          const expected = from.map((number, index) => {
            const isPause = hasPause && index === 0;
            const again = number === known && left > 0 && !isPause;
            left = again ? left - 1 : 3;
            known = number;
            return { from: station(number), again };
          });
          expect(host.heard(hasPause)).toMatchObject(expected);
        }
      }),
    );
  });

  it("leaves its sender out right behind an answer, too, however that began", () => {
    const host = greeted();
    host.core.handleReceived(station(1), -70, datagram(1));
    host.heard();
    host.core.handleReceived(station(1), -70, datagram(2));
    host.say(STATUS(1));
    expect(host.heard()).toMatchObject([{ type: "status" }, { type: "received", again: true }]);
  });

  it("is not said about what was dropped: the newest, when the line is too slow", () => {
    const host = greeted();
    for (let mark = 0; mark < 9; mark++) host.core.handleReceived(station(1), -70, datagram(mark));
    const marks = host
      .heard()
      .map((frame) => frame.type === "received" && [frame.sequence, frame.datagram[0]]);
    expect(marks).toEqual([
      [0, 0],
      [1, 1],
      [2, 2],
      [3, 3],
    ]);
    expect(host.counts.slice(9, 11)).toEqual([9, 5]);
    // The number shows what is lost on the line, not what was dropped here.
    host.core.handleReceived(station(1), -70, datagram(10));
    expect(host.heard()).toMatchObject([{ sequence: 4 }]);
  });

  it("is not said about what no frame can hold", () => {
    const host = greeted();
    host.core.handleReceived(station(1).subarray(1), -70, datagram(1));
    host.core.handleReceived(station(1), -70, datagram(1, 51));
    expect(host.heard()).toEqual([]);
    expect(host.counts[10]).toBe(2);
  });
});

describe("the order on the line", () => {
  it("is answers, outcomes, what was heard, text", () => {
    const host = greeted();
    host.core.log(6, "a line of text");
    host.core.handleReceived(station(1), -70, datagram(1));
    host.send(station(1), datagram(2));
    host.transmitAll();
    host.say({ type: "statistics-request", request: 1 });
    host.say({ type: "channel-request", request: 2, channel: 3 });
    host.core.pollChannel();
    host.core.handleChannelSet("set");
    host.say(HELLO(host.host));
    expect(typesOf(host.heard())).toEqual([
      "hello",
      "channel",
      "status",
      "statistics",
      "received",
      "log",
    ]);
  });

  it("has a delimiter in front only after a pause", () => {
    const host = greeted();
    host.core.handleReceived(station(1), -70, datagram(1));
    host.core.handleReceived(station(1), -70, datagram(2));
    const [first, second] = host.lines();
    expect([first![0] === 0, second![0] === 0]).toEqual([true, false]);
    expect([first!.at(-1), second!.at(-1)]).toEqual([0, 0]);
  });

  it("holds four lines of text at most, and drops the newest", () => {
    const host = greeted();
    for (let line = 0; line < 9; line++) host.core.log(6, `line ${line}`);
    expect(host.heard()).toMatchObject([0, 1, 2, 3].map((line) => ({ text: `line ${line}` })));
  });
});

describe("the radio channel", () => {
  const ask = (request: number, channel: number) =>
    ({ type: "channel-request", request, channel }) as const;

  it("is set when nothing is with the bridge", () => {
    const host = greeted();
    host.say(ask(1, 11));
    expect(host.core.pollChannel()).toBe(11);
    expect(host.core.pollChannel()).toBeUndefined();
    expect(host.heard()).toEqual([]);
    host.core.handleChannelSet("set");
    expect(host.heard()).toEqual([{ type: "channel", request: 1, result: "set", channel: 11 }]);
    host.say(HELLO(host.host));
    expect(host.heard()).toMatchObject([{ facts: { channel: 11 } }]);
  });

  it("may not be allowed", () => {
    const host = greeted();
    host.say(ask(1, 14));
    host.core.pollChannel();
    host.core.handleChannelSet("not-allowed");
    expect(host.heard()).toMatchObject([{ result: "not-allowed", channel: 6 }]);
  });

  it("is busy while datagrams are there", () => {
    const host = greeted();
    host.send(station(1), datagram(1));
    host.say(ask(1, 11));
    expect(host.heard()).toMatchObject([{ request: 1, result: "busy", channel: 6 }]);
    host.radio();
    host.say(ask(2, 11));
    expect(host.heard()).toMatchObject([{ request: 2, result: "busy", channel: 6 }]);
    expect(host.core.pollChannel()).toBeUndefined();
  });

  it("cannot be set by every radio", () => {
    const host = greeted({ facts: { ...FACTS, canSetChannel: false, channel: 0 } });
    host.say(ask(1, 11));
    expect(host.heard()).toMatchObject([{ result: "cannot", channel: 0 }]);
    expect(host.core.pollChannel()).toBeUndefined();
  });

  it("is set again and answered again when the question comes twice", () => {
    const host = greeted();
    for (let time = 0; time < 2; time++) {
      host.say(ask(1, 11));
      expect(host.core.pollChannel()).toBe(11);
      host.core.handleChannelSet("set");
      expect(host.heard()).toMatchObject([{ request: 1, result: "set", channel: 11 }]);
    }
  });

  it("that changes by itself is told with request 0", () => {
    const host = greeted();
    host.core.handleChannelChanged(3);
    expect(host.heard()).toEqual([{ type: "channel", request: 0, result: "set", channel: 3 }]);
  });

  it("that changes by itself does not take away an answer", () => {
    const host = greeted();
    host.say(ask(5, 11));
    host.core.pollChannel();
    host.core.handleChannelSet("set");
    host.core.handleChannelChanged(3);
    expect(host.heard()).toEqual([{ type: "channel", request: 5, result: "set", channel: 3 }]);
  });

  it("is answered to nobody when the session is over", () => {
    const host = greeted();
    host.say(ask(5, 11));
    host.core.pollChannel();
    host.say({ type: "goodbye" });
    host.core.handleChannelSet("set");
    expect(host.heard()).toEqual([]);
  });
});

describe("the peer table", () => {
  const toAll = (host: ScriptedHost, numbers: readonly number[]) => {
    for (const number of numbers) {
      host.send(number === 0 ? EVERYBODY : station(number), datagram(number));
      host.transmitAll();
    }
    return host.table.map((address) => (`${address}` === `${EVERYBODY}` ? 0 : address.at(-1)));
  };

  it("takes each address once, before the first datagram to it", () => {
    const host = greeted();
    expect(toAll(host, [1, 1, 2])).toEqual([1, 2]);
    expect(host.orders.map(({ putIn }) => putIn !== undefined)).toEqual([true, false, true]);
  });

  it("when full, puts out the address that was sent to longest ago", () => {
    expect(toAll(greeted(), [1, 2, 3, 1, 4])).toEqual([1, 3, 4]);
  });

  it("never puts out the address of everybody", () => {
    const host = greeted();
    expect(toAll(host, [0, 1, 2, 3, 4, 5])).toEqual([0, 4, 5]);
    expect(host.counts[11]).toBe(3);
  });

  it("never puts out an address while a datagram to it is with the radio", () => {
    const host = greeted({ facts: { ...FACTS, queue: 8 }, radioDepth: 8 });
    for (const number of [1, 2, 3, 4, 5]) host.send(station(number), datagram(number));
    // Three places, all in use: the fourth waits.
    expect(host.radio()).toHaveLength(3);
    host.core.handleTransmitted(host.orders[1]!.transmission, "sent");
    expect(host.radio()).toMatchObject([{ putOut: station(2), putIn: station(4) }]);
  });

  it("is not asked for when the radio needs none", () => {
    const host = greeted({ facts: { ...FACTS, peersMax: 0 } });
    for (let number = 1; number < 9; number++) {
      host.send(station(number), datagram(number));
      expect(host.transmitAll()).toMatchObject([{ putIn: undefined, putOut: undefined }]);
    }
  });

  it("of one place that everybody has: others are not taken, and nothing waits for ever", () => {
    const host = greeted({ facts: { ...FACTS, peersMax: 1 } });
    host.send(EVERYBODY, datagram(1));
    host.send(station(1), datagram(2));
    host.send(EVERYBODY, datagram(3));
    expect(host.transmitAll().map((order) => order.datagram[0])).toEqual([1, 3]);
    expect(outcomesIn(host.heard())).toEqual(["2: sent", "1: not-taken", "0: sent"]);
  });
});

describe("the line", () => {
  it("may be framed by SLIP", () => {
    const host = greeted({ framing: "slip" });
    host.send(station(0xc0), datagram(0xdb, 50));
    expect(host.transmitAll()).toMatchObject([{ to: station(0xc0), datagram: datagram(0xdb, 50) }]);
    host.core.handleReceived(station(0xdb), -64, datagram(0xc0, 50));
    expect(host.heard()).toMatchObject([
      { type: "status", outcomes: [{ token: 0, outcome: "sent" }] },
      { type: "received", from: station(0xdb), datagram: datagram(0xc0, 50) },
    ]);
  });

  it("may bring bytes cut anywhere, behind any text", () => {
    fc.assert(
      fc.property(fc.array(fc.integer({ min: 1, max: 30 })), (cuts) => {
        const host = new ScriptedHost();
        host.heard();
        const text = new TextEncoder().encode("frost watch, row 3\r\n");
        const sends = [0, 1, 2, 3].map((token) =>
          host.bytesOf({
            type: "send",
            token,
            to: station(token >> 1),
            datagram: datagram(token, 20),
            again: token % 2 === 1,
          }),
        );
        const bytes = [text, host.bytesOf(HELLO(5)), ...sends].flatMap((part) => [...part]);
        for (const cut of cuts) host.write(Uint8Array.from(bytes.splice(0, cut)));
        host.write(Uint8Array.from(bytes));
        const orders = host.transmitAll();
        expect(orders.map((order) => [order.to.at(-1), order.datagram[0]])).toEqual([
          [0, 0],
          [0, 1],
          [1, 2],
          [1, 3],
        ]);
      }),
    );
  });
});

describe("STATISTICS", () => {
  it("counts since boot, in the order of section 5.5", () => {
    const host = greeted();
    host.pass(2.5 * S);
    host.write(Uint8Array.of(0, 9, 9, 9, 0));
    host.write(frameBytes(Uint8Array.of(0x55), { framing: "cobs", leadingDelimiter: true }));
    for (const result of ["acknowledged", "not-acknowledged"] as const) {
      host.send(station(1), datagram(1));
      host.transmitAll(result);
    }
    host.token++;
    for (let mark = 0; mark < 5; mark++) host.send(station(1), datagram(mark));
    host.core.handleReceived(station(1), -70, datagram(1));
    host.heard();
    host.say({ type: "statistics-request", request: 77 });
    expect(host.heard()).toEqual([
      // HELLO?, one of unknown type, seven SEND, STATISTICS?: ten good frames.
      { type: "statistics", request: 77, counts: [2, 10, 1, 1, 2, 1, 1, 1, 1, 1, 0, 0, 0] },
    ]);
  });
});

describe("whatever comes", () => {
  const anyFrame = fc.oneof(
    fc.uint8Array({ maxLength: 80 }),
    fc
      .record({ type: fc.integer({ min: 0, max: 9 }), rest: fc.uint8Array({ maxLength: 70 }) })
      .map(({ type, rest }) =>
        frameBytes(Uint8Array.of(type, ...rest), { framing: "cobs", leadingDelimiter: false }),
      ),
  );
  const anyInput = fc.oneof(
    { weight: 6, arbitrary: fc.record({ does: fc.constant("bytes" as const), bytes: anyFrame }) },
    fc.record({ does: fc.constant("greet" as const), host: fc.integer({ min: 1, max: 3 }) }),
    { weight: 3, arbitrary: fc.record({ does: fc.constant("send" as const), to: fc.nat(9) }) },
    { weight: 3, arbitrary: fc.record({ does: fc.constant("finish" as const), at: fc.nat(9) }) },
    fc.record({ does: fc.constant("hear" as const), bytes: fc.uint8Array({ maxLength: 60 }) }),
    fc.record({ does: fc.constant("pass" as const), us: fc.nat(3_000_000) }),
    fc.record({ does: fc.constant("read" as const), frames: fc.nat(5) }),
  );

  it("nothing throws, nothing waits without bound, and a host that begins anew is served", () => {
    fc.assert(
      fc.property(
        fc.array(anyInput, { maxLength: 120 }),
        fc.integer({ min: 1, max: 4 }),
        (inputs, radioDepth) => {
          const host = new ScriptedHost({ radioDepth });
          for (const input of inputs) {
            if (input.does === "bytes") host.write(input.bytes);
            else if (input.does === "greet") host.greet(input.host);
            else if (input.does === "send") host.send(station(input.to), datagram(input.to));
            else if (input.does === "finish") {
              const order = host.orders.at(-1 - input.at);
              if (order) host.core.handleTransmitted(order.transmission, "sent");
            } else if (input.does === "hear") {
              host.core.handleReceived(station(7), -50, input.bytes);
            } else if (input.does === "pass") host.pass(input.us);
            else host.lines(input.frames);
            host.radio();
            expect(host.table.length).toBeLessThanOrEqual(FACTS.peersMax);
          }
          // HELLO, CHANNEL, STATUS, STATISTICS, at most four heard and four lines of text.
          expect(host.lines().length).toBeLessThanOrEqual(4 + Math.ceil(FACTS.queue / 4) + 8);
          host.write(Uint8Array.of(0));
          host.pass(1 * S);
          host.greet(0xabc);
          host.send(station(9), datagram(42));
          expect(host.transmitAll()).toMatchObject([{ to: station(9), datagram: datagram(42) }]);
          expect(outcomesIn(host.heard())).toEqual(["0: sent"]);
        },
      ),
      { numRuns: 300 },
    );
  });

  it("each token that a host gives out within its credits gets the right outcome, once asked", () => {
    const step = fc.record({
      isLost: fc.boolean(),
      result: fc.constantFrom("sent", "acknowledged", "not-acknowledged" as const),
      finishes: fc.nat(4),
    });
    fc.assert(
      fc.property(
        fc.array(step, { minLength: 1, maxLength: 300 }),
        fc.integer({ min: 1, max: 64 }),
        fc.integer({ min: 1, max: 5 }),
        (steps, queue, radioDepth) => {
          const host = greeted({ facts: { ...FACTS, queue }, radioDepth });
          const outstanding = new Map<number, string | undefined>();
          const settle = () => {
            host.say(STATUS(1));
            const frames = host.heard();
            const answer = frames.find((frame) => frame.type === "status" && frame.request === 1);
            if (answer?.type !== "status") throw new Error("No answer.");
            for (const { token, outcome } of answer.outcomes) {
              const expected = outstanding.get(token);
              if (!outstanding.has(token)) continue;
              expect(outcome).toBe(expected);
              outstanding.delete(token);
            }
            // Those from nextToken on were lost on the line, and are given out again.
            for (let token = answer.nextToken; token !== host.token; token = (token + 1) & 0xff) {
              expect(outstanding.get(token)).toBe("lost-on-line");
              outstanding.delete(token);
            }
            host.token = answer.nextToken;
          };
          for (const { isLost, result, finishes } of steps) {
            const [oldest] = outstanding.keys();
            if (oldest !== undefined && ((host.token - oldest) & 0xff) >= queue) {
              settle();
              const [still] = outstanding.keys();
              // Not through yet: the radio has it.
              if (still !== undefined && ((host.token - still) & 0xff) >= queue) {
                finishOne();
                continue;
              }
            }
            if (isLost) {
              outstanding.set(host.token, "lost-on-line");
              host.token = (host.token + 1) & 0xff;
            } else {
              outstanding.set(host.token, undefined);
              host.send(station(1), Uint8Array.of(host.token));
            }
            for (let count = 0; count < finishes; count++) finishOne(result);
          }
          function finishOne(result: "sent" | "acknowledged" | "not-acknowledged" = "sent"): void {
            host.radio();
            const order = host.orders.shift();
            if (!order) return;
            outstanding.set(order.datagram[0]!, result);
            host.core.handleTransmitted(order.transmission, result);
          }
          for (let count = 0; count < 300; count++) finishOne();
          settle();
          expect([...outstanding]).toEqual([]);
        },
      ),
      { numRuns: 200 },
    );
  });
});
