import { describe, expect, it } from "vitest";
import { FEATURE_NAMES, type Feature } from "./features.js";
import { type Arrival, type Incarnation, Oracle, type Sent } from "./oracle.js";
import { payloadOf } from "./payload.js";
import { runSeed } from "./run.js";
import type { Tamper } from "./station.js";

/** Nothing but messages: what breaks then is what the test has broken. */
const QUIET = { cut: { without: new Set<Feature>(FEATURE_NAMES) } };
const RUNS = 60;

/** Endpoints that break a promise, and what the oracle says of it. */
const BROKEN: readonly { name: string; says: RegExp; make(): Tamper }[] = [
  { name: "delivers twice", says: /arrived twice/, make: () => (arrival) => [arrival, arrival] },
  { name: "drops a message", says: /never arrived/, make: () => everyThird(() => []) },
  { name: "swaps two messages", says: /arrived after message/, make: swapper },
  {
    name: "flips a bit",
    says: /not its own|never sent/,
    make: () => everyThird((arrival) => [withByte(arrival, arrival.bytes.length - 1)]),
  },
  {
    name: "loses the last byte",
    says: /not its own/,
    make: () => (arrival) => [{ ...arrival, bytes: arrival.bytes.subarray(0, -1) }],
  },
  {
    name: "joins two messages",
    says: /not its own/,
    make: () => (arrival) => [
      { ...arrival, bytes: Uint8Array.of(...arrival.bytes, ...arrival.bytes) },
    ],
  },
  {
    name: "mistakes the channel",
    says: /arrived at/,
    make: () => (arrival) => [{ ...arrival, channel: (arrival.channel + 1) % 4 }],
  },
  {
    name: "mistakes the sender",
    says: /arrived at/,
    make: () => (arrival) => [{ ...arrival, from: arrival.from + 1 }],
  },
];

function everyThird(tamper: Tamper): Tamper {
  let count = 0;
  return (arrival) => (isNamed(arrival) && ++count % 3 === 0 ? tamper(arrival) : [arrival]);
}

function isNamed({ bytes }: Arrival): boolean {
  return bytes.length > 4;
}

function withByte(arrival: Arrival, at: number): Arrival {
  const bytes = arrival.bytes.slice();
  bytes[at] = (bytes[at] ?? 0) ^ 0x10;
  return { ...arrival, bytes };
}

function swapper(): Tamper {
  const held = new Map<string, Arrival>();
  return (arrival) => {
    if (arrival.way !== "ordered" || !isNamed(arrival)) return [arrival];
    const key = `${arrival.from} ${arrival.channel}`;
    const first = held.get(key);
    if (first) held.delete(key);
    else held.set(key, arrival);
    return first ? [arrival, first] : [];
  };
}

const SENDER: Incarnation = { station: 0, boot: 0, startUs: 0, endUs: Number.POSITIVE_INFINITY };

function send(oracle: Oracle): Sent {
  return oracle.noteSent({
    from: SENDER,
    to: 1,
    kind: "message",
    bytes: 9,
    way: "ordered",
    channel: 0,
    rank: 1,
    atUs: 0,
    dueUs: 400,
    resends: false,
    isHeldBack: false,
  });
}

describe("the oracle", () => {
  for (const { name, says, make } of BROKEN) {
    it(`catches an endpoint that ${name}`, async () => {
      const messages: string[] = [];
      for (let seed = 1; seed <= RUNS; seed++) {
        const tamper = make();
        await runSeed(seed, { ...QUIET, tamper: (arrival) => named(tamper, arrival) }).catch(
          (error: Error) => messages.push(error.message),
        );
      }
      expect(messages.filter((message) => says.test(message)).length).toBeGreaterThan(5);
    });
  }

  it("accepts the same runs untouched", async () => {
    for (let seed = 1; seed <= RUNS; seed++) await runSeed(seed, QUIET);
  });

  it("refuses an end after the deadline, and an early one for it", () => {
    const oracle = new Oracle(() => 500);
    expect(() => oracle.noteEnd(send(oracle), { atUs: 401, outcome: "delivered" })).toThrow(
      /deadline/,
    );
    expect(() => oracle.noteEnd(send(oracle), { atUs: 399, code: "deadline-passed" })).toThrow(
      /not pas/,
    );
    expect(() => oracle.noteEnd(send(oracle), { atUs: 9, outcome: "replaced" })).toThrow(
      /only latest/,
    );
    expect(() => oracle.noteEnd(send(oracle), { atUs: 9, outcome: "sent" })).toThrow(
      /only an unack/,
    );
  });

  it("refuses an arrival of what its error says cannot have arrived", () => {
    const oracle = new Oracle(() => 500);
    const ended = send(oracle);
    oracle.noteEnd(ended, { atUs: 9, code: "peer-restarted", delivery: "none" });
    const receiver = { ...SENDER, station: 1 };
    const bytes = payloadOf(ended.id, 9);
    const arrival = {
      kind: "message",
      form: "whole",
      from: 0,
      way: "ordered",
      channel: 0,
    } as const;
    oracle.noteArrival(receiver, { ...arrival, bytes });
    expect(() => oracle.checkAgreement([SENDER, receiver])).toThrow(/cannot have/);
  });
});

/** Messages without a number in them are left alone: the oracle only counts those. */
function named(tamper: Tamper, arrival: Arrival): readonly Arrival[] {
  return isNamed(arrival) ? tamper(arrival) : [arrival];
}
