import type { Clock, SendOutcome } from "@fardel/core";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { withinFourSigma } from "./confidence.js";
import { EventQueue, QueuedEvent } from "./event-queue.js";
import { lossyPair, type PairOptions } from "./pair.js";
import { presets } from "./presets.js";
import type { VirtualClock } from "./virtual-clock.js";

/** Two open links that write down what happens. */
function openPair(options: PairOptions = {}) {
  const pair = lossyPair(options);
  const received = { a: [] as number[][], b: [] as number[][] };
  const statuses: string[] = [];
  for (const name of ["a", "b"] as const) {
    pair[name].open({
      onDatagram: (_from, datagram) => received[name].push([...datagram]),
      onStatus: (status) => statuses.push(`${name} ${status} at ${pair.clock.nowUs()}`),
    });
  }
  const outcomes: SendOutcome[] = [];
  const send = (...bytes: number[]): void =>
    pair.a.send(pair.b.localAddress, Uint8Array.from(bytes), (outcome) => outcomes.push(outcome));
  return { ...pair, received, statuses, outcomes, send };
}

/** On the reference channel. */
const airtimeUs = (bytes: number): number => 552 + 8 * (43 + bytes);

describe("a datagram", () => {
  it("is delivered when it has left the air, and its outcome follows", () => {
    const { a, b, clock, medium } = lossyPair();
    const log: unknown[] = [];
    a.open({ onDatagram: () => undefined });
    b.open({
      onDatagram: (from, datagram, info) =>
        log.push([clock.nowUs(), [...from], [...datagram], info]),
    });
    a.send(b.localAddress, Uint8Array.of(1, 2, 3), (outcome) => log.push([clock.nowUs(), outcome]));
    expect(log).toEqual([]);
    clock.runSync();
    expect(log).toEqual([
      [airtimeUs(3), [2, 0, 0, 0, 0, 10], [1, 2, 3], {}],
      [airtimeUs(3), "sent"],
    ]);
    expect(medium.statistics.delivered).toEqual({ datagrams: 1, bytes: 3 });
    expect(b.statistics.received).toEqual({ datagrams: 1, bytes: 3 });
    expect(a.statistics.outcomes.sent).toBe(1);
  });

  it("may have no bytes, or all that the link carries", () => {
    const { send, clock, received, outcomes } = openPair();
    send();
    send(...new Array(250).fill(7));
    clock.runSync();
    expect(received.b.map((datagram) => datagram.length)).toEqual([0, 250]);
    expect(outcomes).toEqual(["sent", "sent"]);
  });

  it("is read until its outcome, not after", () => {
    const { a, b, clock, received } = openPair({ delayUs: 10_000 });
    const datagram = Uint8Array.of(1, 1);
    const to = b.localAddress.slice();
    a.send(to, datagram, () => {
      datagram.fill(9);
      to.fill(9);
    });
    clock.runSync();
    expect(received.b).toEqual([[1, 1]]);
  });

  it("arrives in bytes that belong to the link, and are used again after the call", () => {
    const { a, b, clock } = lossyPair();
    const kept: Uint8Array[] = [];
    a.open({ onDatagram: () => undefined });
    b.open({ onDatagram: (_from, datagram) => kept.push(datagram) });
    for (const byte of [1, 2]) a.send(b.localAddress, Uint8Array.of(byte), () => undefined);
    clock.runSync();
    expect(kept.map(([first]) => first)).toEqual([2, 2]);
  });

  it("is not damaged for its sender by what the receiver does to it", () => {
    const { a, b, clock } = lossyPair({ corruption: { probability: 1 } });
    a.open({ onDatagram: () => undefined });
    b.open({
      onDatagram: (_from, datagram) => {
        datagram.fill(9);
      },
    });
    const datagram = Uint8Array.of(1, 2);
    a.send(b.localAddress, datagram, () => undefined);
    clock.runSync();
    expect([...datagram]).toEqual([1, 2]);
  });
});

describe("outcomes", () => {
  it("refused: one more than the queue holds, told later; the rest leaves in order", () => {
    const { send, clock, received, outcomes } = openPair({ outstandingMax: 3 });
    for (let index = 0; index < 5; index++) send(index);
    expect(outcomes).toEqual([]);
    clock.runSync();
    expect(outcomes).toEqual(["refused", "refused", "sent", "sent", "sent"]);
    expect(received.b).toEqual([[0], [1], [2]]);
  });

  it("refused: longer than the link carries", () => {
    const { send, clock, received, outcomes, medium } = openPair();
    send(...new Array(251).fill(0));
    clock.runSync();
    expect(outcomes).toEqual(["refused"]);
    expect(received.b).toEqual([]);
    expect(medium.statistics.refused).toEqual({ datagrams: 1, bytes: 251 });
  });

  it("make room: from inside one the next datagram can be sent", () => {
    const { a, b, clock } = openPair({ outstandingMax: 1 });
    const outcomes: SendOutcome[] = [];
    const next = (outcome: SendOutcome): void => {
      outcomes.push(outcome);
      if (outcomes.length < 50) a.send(b.localAddress, Uint8Array.of(1), next);
    };
    a.send(b.localAddress, Uint8Array.of(1), next);
    clock.runSync();
    expect(outcomes).toEqual(new Array(50).fill("sent"));
    expect(clock.nowUs()).toBe(50 * airtimeUs(1));
  });

  it("gone: not open yet, and closed", () => {
    const { a, b, clock } = lossyPair();
    const outcomes: SendOutcome[] = [];
    const send = (): void =>
      a.send(b.localAddress, Uint8Array.of(1), (outcome) => outcomes.push(outcome));
    send();
    expect(outcomes).toEqual([]);
    clock.runSync();
    a.open({ onDatagram: () => undefined });
    a.close();
    send();
    expect(outcomes).toEqual(["gone"]);
    clock.runSync();
    expect(outcomes).toEqual(["gone", "gone"]);
  });

  it("gone: all that is outstanding when the link is closed, and nothing is heard of it", () => {
    const { a, send, clock, received, outcomes, medium } = openPair();
    for (let index = 0; index < 3; index++) send(index);
    clock.runSync(airtimeUs(1) + 100);
    expect(outcomes).toEqual(["sent"]);
    a.close();
    a.close();
    expect(outcomes).toEqual(["sent", "gone", "gone"]);
    expect(clock.runSync()).toBe("idle");
    expect(outcomes).toEqual(["sent", "gone", "gone"]);
    expect(received.b).toEqual([[0]]);
    expect(medium.statistics.truncated.datagrams).toBe(1);
    expect(medium.statistics.gone.datagrams).toBe(2);
  });

  it("acknowledged and not: by whether it arrived", () => {
    const { send, clock, received, outcomes } = openPair({
      neighbourAcks: true,
      replay: { trace: "011" },
    });
    for (let index = 0; index < 3; index++) send(index);
    clock.runSync();
    expect(outcomes).toEqual(["acknowledged", "not-acknowledged", "not-acknowledged"]);
    expect(received.b).toEqual([[0]]);
  });

  it("not acknowledged: no such station, one that is closed, and oneself", () => {
    const { a, b, clock, outcomes, medium } = openPair({ neighbourAcks: true });
    const send = (to: Uint8Array): void =>
      a.send(to, Uint8Array.of(1), (outcome) => outcomes.push(outcome));
    send(Uint8Array.of(2, 0, 0, 0, 0, 99));
    send(a.localAddress);
    clock.runSync();
    b.close();
    send(b.localAddress);
    clock.runSync();
    expect(outcomes).toEqual(new Array(3).fill("not-acknowledged"));
    expect(medium.statistics.unheard.datagrams).toBe(3);
  });

  it("not acknowledged also when the acknowledgement is lost: then the data did arrive", () => {
    const { a, b, clock, received } = openPair({ neighbourAcks: { lossRate: 0.3 }, loss: 0.1 });
    const trials = 20_000;
    let acknowledged = 0;
    let left = trials;
    const next = (outcome?: SendOutcome): void => {
      if (outcome === "acknowledged") acknowledged++;
      if (left-- > 0) a.send(b.localAddress, Uint8Array.of(1), next);
    };
    next();
    clock.runSync();
    expect(withinFourSigma(received.b.length, trials, 0.9)).toBe(true);
    expect(withinFourSigma(acknowledged, received.b.length, 0.7)).toBe(true);
  });

  it("of a broadcast are only ever `sent`", () => {
    const { a, clock, outcomes, medium } = openPair({
      neighbourAcks: { repetitionsMax: 3 },
      loss: 1,
    });
    a.send(a.broadcastAddress!, Uint8Array.of(1), (outcome) => outcomes.push(outcome));
    clock.runSync();
    expect(outcomes).toEqual(["sent"]);
    expect(medium.statistics.carried.datagrams).toBe(1);
  });

  it("are told also when a handler throws, and the medium goes on", () => {
    const { a, b, clock } = lossyPair();
    const outcomes: SendOutcome[] = [];
    a.open({ onDatagram: () => undefined });
    b.open({
      onDatagram: () => {
        throw new Error("from a handler");
      },
    });
    a.send(b.localAddress, Uint8Array.of(1), (outcome) => outcomes.push(outcome));
    a.send(b.localAddress, Uint8Array.of(2), (outcome) => outcomes.push(outcome));
    expect(() => clock.runSync()).toThrow("from a handler");
    expect(() => clock.runSync()).toThrow("from a handler");
    expect(clock.runSync()).toBe("idle");
    expect(outcomes).toEqual(["sent", "sent"]);
  });
});

describe("link-level repetitions", () => {
  it("are made until one is acknowledged, or the last one is not", () => {
    const { send, clock, received, outcomes, medium } = openPair({
      neighbourAcks: { repetitionsMax: 2, ackUs: 314 },
      replay: { trace: "110 0 111 0" },
    });
    for (let index = 0; index < 4; index++) send(index);
    clock.runSync();
    expect(outcomes).toEqual(["acknowledged", "acknowledged", "not-acknowledged", "acknowledged"]);
    expect(received.b).toEqual([[0], [1], [3]]);
    expect(medium.statistics.carried.datagrams).toBe(8);
    expect(clock.nowUs()).toBe(8 * (airtimeUs(1) + 314));
    expect(medium.statistics.airtimeUs).toBe(clock.nowUs());
  });

  it("are filtered by the receiver's radio when only the acknowledgement was lost", () => {
    const { send, clock, received, outcomes, medium } = openPair({
      neighbourAcks: { repetitionsMax: 3, lossRate: 1 },
    });
    send(5);
    clock.runSync();
    expect(outcomes).toEqual(["not-acknowledged"]);
    expect(received.b).toEqual([[5]]);
    expect(medium.statistics.filtered.datagrams).toBe(3);
  });
});

describe("damage", () => {
  it("at 100 % changes every datagram, copies too", () => {
    const { send, clock, received, medium } = openPair({
      corruption: { probability: 1, bitsMax: 5 },
      duplication: { probability: 1, delayUsMax: 5 },
      outstandingMax: 200,
    });
    for (let index = 0; index < 200; index++) send(1, 2, 3, 4, 5);
    clock.runSync();
    expect(received.b.length).toBe(400);
    for (const datagram of received.b) {
      expect(datagram.length).toBe(5);
      expect(datagram).not.toEqual([1, 2, 3, 4, 5]);
    }
    expect(medium.statistics.corrupted).toEqual({ datagrams: 400, bytes: 2000 });
    expect(medium.statistics.duplicated).toEqual({ datagrams: 200, bytes: 1000 });
    expect(medium.statistics.delivered.datagrams).toBe(0);
  });

  it("makes copies that are equal to their originals when nothing else is wrong", () => {
    const { send, clock, received } = openPair({
      duplication: { probability: 1, delayUsMax: 2_000_000 },
    });
    send(1);
    send(2);
    clock.runSync();
    expect(received.b.map(String).sort()).toEqual(["1", "1", "2", "2"]);
  });

  it("delivers original and copy in this order when both come at once", () => {
    const { a, b, clock, medium } = openPair({ duplication: { probability: 1 } });
    const copies: boolean[] = [];
    medium.observe(({ copy }) => copies.push(copy));
    a.send(b.localAddress, Uint8Array.of(1), () => undefined);
    clock.runSync();
    expect(copies).toEqual([false, true]);
  });

  it("counts the delay of a copy from its original, also from one that is held up", () => {
    const { send, clock, medium } = openPair({
      reordering: { probability: 1, delayUsMin: 1000, delayUsMax: 1000 },
      duplication: { probability: 1, delayUsMin: 5 },
      delayUs: 100,
    });
    const arrivals: unknown[] = [];
    medium.observe(({ deliveredAtUs, copy }) => arrivals.push([deliveredAtUs, copy]));
    send(1);
    clock.runSync();
    expect(arrivals).toEqual([
      [airtimeUs(1) + 1100, false],
      [airtimeUs(1) + 1105, true],
    ]);
  });

  it("lets datagrams overtake if asked to, and only then", () => {
    const order = (options: PairOptions): number[] => {
      const { send, clock, received } = openPair({ outstandingMax: 100, ...options });
      for (let index = 0; index < 100; index++) send(index);
      clock.runSync();
      return received.b.map(([first]) => first!);
    };
    const sorted = Array.from({ length: 100 }, (_, index) => index);
    expect(order({ jitterUs: 50_000, delayUs: 1000 })).toEqual(sorted);
    expect(order({ airtime: { fixedUs: 0, perByteUs: 0, overheadBytes: 0 } })).toEqual(sorted);
    const reordered = order({ reordering: { probability: 0.2, delayUsMax: 50_000 } });
    expect(reordered).not.toEqual(sorted);
    expect(reordered.sort((one, other) => one - other)).toEqual(sorted);
  });

  it("keeps the order when a delay is taken away", () => {
    const { a, send, clock, received } = openPair({ outstandingMax: 10 });
    a.setImpairments({ delayUs: 5 * airtimeUs(1) });
    send(1);
    clock.runSync(airtimeUs(1));
    a.setImpairments({ delayUs: 0 });
    for (let index = 2; index < 9; index++) send(index);
    clock.runSync();
    expect(received.b).toEqual([[1], [2], [3], [4], [5], [6], [7], [8]]);
  });
});

describe("directions", () => {
  it("have losses of their own", () => {
    const { a, b, clock, received } = openPair({
      loss: 0.5,
      aToB: { loss: 0.1 },
      bToA: { loss: 0.4 },
    });
    const trials = 20_000;
    const stream = (from: typeof a, to: typeof b): void => {
      let left = trials;
      const next = (): void => {
        if (left-- > 0) from.send(to.localAddress, Uint8Array.of(1), next);
      };
      next();
    };
    stream(a, b);
    stream(b, a);
    clock.runSync();
    expect(withinFourSigma(received.b.length, trials, 0.9)).toBe(true);
    expect(withinFourSigma(received.a.length, trials, 0.6)).toBe(true);
  });

  it("can be set for what a station sends, what it hears, or both", () => {
    const { a, b, clock, received } = openPair();
    const exchange = (): number[] => {
      const before = [received.a.length, received.b.length];
      a.send(b.localAddress, Uint8Array.of(1), () => undefined);
      b.send(a.localAddress, Uint8Array.of(1), () => undefined);
      clock.runSync();
      return [received.a.length - before[0]!, received.b.length - before[1]!];
    };
    expect(exchange()).toEqual([1, 1]);
    b.setImpairments({ loss: 1 }, "incoming");
    expect(exchange()).toEqual([1, 0]);
    b.setImpairments({}, "incoming");
    b.setImpairments({ loss: 1 }, "outgoing");
    expect(exchange()).toEqual([0, 1]);
    b.setImpairments({ loss: 1 });
    expect(exchange()).toEqual([0, 0]);
    b.setImpairments({});
    expect(exchange()).toEqual([1, 1]);
  });
});

describe("outages", () => {
  it("on a timetable, in one direction or both", () => {
    const { a, b, clock, received, medium } = openPair({
      outages: [[10_000, 20_000]],
      aToB: { outages: [[30_000, 40_000]] },
    });
    for (let atUs = 500; atUs < 50_000; atUs += 2000) {
      clock.setTimer(atUs, () => {
        a.send(b.localAddress, Uint8Array.of(atUs / 500), () => undefined);
      });
    }
    // What was set for one direction replaces what was set for both.
    for (let atUs = 1500; atUs < 50_000; atUs += 2000) {
      clock.setTimer(atUs, () => {
        b.send(a.localAddress, Uint8Array.of(atUs / 500), () => undefined);
      });
    }
    const lostAt: [string, number][] = [];
    medium.observe(({ fate, from, leftAtUs }) => {
      if (fate === "outage") lostAt.push([from[5] === 10 ? "a" : "b", leftAtUs]);
    });
    clock.runSync();
    expect(received.b.length + received.a.length).toBe(50 - lostAt.length);
    // 10 ms, and one datagram each way every 2 ms.
    expect(lostAt.map(([from]) => from).sort()).toEqual([..."aaaaabbbbb"]);
    for (const [from, leftAtUs] of lostAt) {
      const [fromUs, toUs] = from === "a" ? [30_000, 40_000] : [10_000, 20_000];
      expect(leftAtUs).toBeGreaterThanOrEqual(fromUs!);
      expect(leftAtUs).toBeLessThan(toUs!);
    }
  });

  it("of a station's radio: it is down, says so, hears nothing, and comes back", () => {
    const { medium, clock, statuses, a, b, received } = openPair();
    const log: string[] = [];
    const address = Uint8Array.of(2, 0, 0, 0, 0, 77);
    const off = medium.attach({
      address,
      radioOff: [
        [0, 5000],
        [10_000, 20_000],
        [15_000, 30_000],
      ],
    });
    off.open({
      onDatagram: (_from, [first]) => log.push(`heard ${first}`),
      onStatus: (status) => log.push(`${status} at ${clock.nowUs()}`),
    });
    for (const atMs of [1, 6, 12, 19, 29, 31]) {
      clock.setTimer(atMs * 1000, () => {
        a.send(address, Uint8Array.of(atMs), () => undefined);
        off.send(b.localAddress, Uint8Array.of(atMs), (outcome) => log.push(`${outcome} ${atMs}`));
      });
    }
    clock.runSync();
    expect(log).toEqual([
      "down at 0",
      "gone 1",
      "up at 5000",
      "heard 6",
      "sent 6",
      "down at 10000",
      "gone 12",
      "gone 19",
      "gone 29",
      "up at 30000",
      "heard 31",
      "sent 31",
    ]);
    expect(received.b).toEqual([[6], [31]]);
    expect(statuses).toEqual([]);
    expect(medium.statistics.unheard.datagrams).toBe(4);
  });
});

describe("a restart of the radio", () => {
  it("ends what is outstanding, is deaf for a while, and goes on", () => {
    const { a, b, clock, send, outcomes, received, statuses, medium } = openPair();
    for (let index = 1; index <= 3; index++) send(index);
    clock.runSync(airtimeUs(1) + 50);
    a.restartRadio(10_000);
    const restartedAtUs = airtimeUs(1) + 50;
    expect(outcomes).toEqual(["sent", "gone", "gone"]);
    expect(statuses).toEqual([`a down at ${restartedAtUs}`]);
    // The frame that was cut still keeps the air busy: b waits for its end.
    b.send(a.localAddress, Uint8Array.of(9), () => undefined);
    send(4);
    clock.runSync(restartedAtUs + 9999);
    expect(outcomes).toEqual(["sent", "gone", "gone", "gone"]);
    expect(received).toEqual({ a: [], b: [[1]] });
    clock.runSync();
    expect(statuses).toEqual([`a down at ${restartedAtUs}`, `a up at ${restartedAtUs + 10_000}`]);
    send(5);
    b.send(a.localAddress, Uint8Array.of(6), () => undefined);
    clock.runSync();
    expect(received).toEqual({ a: [[6]], b: [[1], [5]] });
    expect(medium.statistics.truncated.datagrams).toBe(1);
    expect(medium.statistics.unheard.datagrams).toBe(1);
  });

  it("during another one only prolongs it", () => {
    const { a, clock, statuses } = openPair();
    a.restartRadio(1000);
    clock.runSync(500);
    a.restartRadio(100);
    clock.runSync(900);
    a.restartRadio(2000);
    clock.runSync();
    expect(statuses).toEqual(["a down at 0", "a up at 2900"]);
  });

  it("loses what is on its way to it, and not what comes after", () => {
    const { b, clock, send, received, medium } = openPair({ delayUs: 3000 });
    send(1);
    clock.runSync(airtimeUs(1));
    b.restartRadio(3000);
    send(2);
    clock.runSync(airtimeUs(1) + 3000);
    send(3);
    clock.runSync();
    // The second one ended while b was deaf, although it would have been delivered after that.
    expect(received.b).toEqual([[3]]);
    expect(medium.statistics.unheard.datagrams).toBe(2);
  });

  it("of a closed link does nothing", () => {
    const { a, clock, statuses } = openPair();
    a.close();
    a.restartRadio(1000);
    expect(clock.runSync()).toBe("idle");
    expect(clock.nowUs()).toBe(0);
    expect(statuses).toEqual([]);
  });
});

describe("a closed link", () => {
  it("tells nothing any more, not even that its radio was off when it was opened", () => {
    const { medium, clock } = openPair();
    const statuses: string[] = [];
    const off = medium.attach({ address: Uint8Array.of(7), radioOff: [[0, 5000]] });
    off.open({ onDatagram: () => undefined, onStatus: (status) => statuses.push(status) });
    off.close();
    clock.runSync();
    expect(statuses).toEqual([]);
  });
});

describe("misuse", () => {
  it("open twice, or after close", () => {
    const { a } = openPair();
    const handlers = { onDatagram: () => undefined };
    expect(() => a.open(handlers)).toThrow(expect.objectContaining({ code: "already-open" }));
    a.close();
    expect(() => a.open(handlers)).toThrow(expect.objectContaining({ code: "closed" }));
  });

  it("is found in what is set while it runs, and changes nothing", () => {
    const { a } = openPair();
    const { position } = a;
    expect(() => a.restartRadio(-1)).toThrow(expect.objectContaining({ field: "deafUs" }));
    expect(() => a.setRadioChannel(-1)).toThrow(expect.objectContaining({ field: "radioChannel" }));
    expect(() => a.moveTo({ xM: Number.NaN, yM: 0 })).toThrow(
      expect.objectContaining({ code: "bad-number", field: "position.xM" }),
    );
    expect(() => a.setImpairments({ loss: 2 })).toThrow(
      expect.objectContaining({ code: "bad-probability", field: "impairments.loss" }),
    );
    expect(() => a.setImpairments({}, "sideways" as "both")).toThrow(
      expect.objectContaining({ code: "bad-choice", field: "direction" }),
    );
    expect(a.position).toBe(position);
    expect(a.radioChannel).toBeUndefined();
  });
});

describe("the contract of a link", () => {
  const options = fc.record({
    seed: fc.nat(),
    loss: fc.constantFrom(0, 0.3, 1),
    delayUs: fc.constantFrom(0, 3000),
    jitterUs: fc.constantFrom(0, 5000),
    duplication: fc.constantFrom(null, { probability: 0.5, delayUsMax: 20_000 }),
    reordering: fc.constantFrom(null, { probability: 0.5, delayUsMax: 20_000 }),
    corruption: fc.constantFrom(null, { probability: 0.5, bitsMax: 3 }),
    outstandingMax: fc.integer({ min: 1, max: 4 }),
    neighbourAcks: fc.constantFrom(false, true, { lossRate: 0.3, repetitionsMax: 2, ackUs: 314 }),
    duplex: fc.constantFrom("half", "full"),
    arbitration: fc.constantFrom("fifo", presets.contention().arbitration),
  });
  const step = fc.oneof(
    { weight: 6, arbitrary: fc.tuple(fc.constant("send"), fc.nat(252)) },
    { weight: 2, arbitrary: fc.tuple(fc.constant("answer"), fc.nat(250)) },
    { weight: 1, arbitrary: fc.tuple(fc.constant("broadcast"), fc.nat(250)) },
    { weight: 4, arbitrary: fc.tuple(fc.constant("run"), fc.nat(5000)) },
    { weight: 1, arbitrary: fc.tuple(fc.constant("restart"), fc.nat(5000)) },
    { weight: 1, arbitrary: fc.tuple(fc.constant("close"), fc.constant(0)) },
  );

  it("holds whatever is done: each outcome once, nothing from inside send, counts that add up", () => {
    fc.assert(
      fc.property(options, fc.array(step, { maxLength: 60 }), (settings, steps) => {
        if (settings.duplex === "full") settings.arbitration = "fifo";
        const { a, b, clock, medium } = lossyPair(settings as PairOptions);
        let sending = false;
        let outstanding = 0;
        const outcomes: number[] = [];
        const lengths = new Set<number>();
        const hear = (_from: Uint8Array, datagram: Uint8Array): void => {
          expect(sending).toBe(false);
          expect(lengths.has(datagram.length)).toBe(true);
        };
        a.open({ onDatagram: hear });
        b.open({ onDatagram: hear });
        const send = (from: typeof a, to: Uint8Array, bytes: number): void => {
          const index = outcomes.push(0) - 1;
          const datagram = new Uint8Array(bytes).fill(index);
          if (bytes <= 250) lengths.add(bytes);
          if (from === a) outstanding++;
          sending = true;
          from.send(to, datagram, (outcome) => {
            expect(sending).toBe(false);
            expect(outcome === "refused" || bytes <= 250 || outcome === "gone").toBe(true);
            expect(datagram.every((byte) => byte === (index & 255))).toBe(true);
            datagram.fill(255);
            outcomes[index]! += 1;
            if (from === a) outstanding--;
          });
          sending = false;
        };
        for (const [kind, value] of steps) {
          if (kind === "send") send(a, b.localAddress, value);
          if (kind === "answer") send(b, a.localAddress, value);
          if (kind === "broadcast") send(b, b.broadcastAddress!, value);
          if (kind === "run") clock.runSync(clock.nowUs() + value);
          if (kind === "restart") a.restartRadio(value);
          if (kind === "close") b.close();
        }
        expect(clock.runSync()).toBe("idle");
        expect(outstanding).toBe(0);
        expect(outcomes.every((count) => count === 1)).toBe(true);

        const counts = medium.statistics;
        const told = { ...a.statistics.outcomes };
        for (const [outcome, count] of Object.entries(b.statistics.outcomes)) {
          told[outcome as SendOutcome] += count;
        }
        expect(counts.offered.datagrams).toBe(outcomes.length);
        expect(counts.refused.datagrams).toBe(told.refused);
        expect(counts.gone.datagrams).toBe(told.gone);
        // Each frame on air has one fate, as there is one other station; each copy has one more.
        // Nobody is left to have one of a broadcast when the other is closed.
        const fates = (["delivered", "corrupted", "lost", "faded", "outage"] as const).reduce(
          (sum, fate) => sum + counts[fate].datagrams,
          0,
        );
        const others = (["collided", "truncated", "unheard", "filtered"] as const).reduce(
          (sum, fate) => sum + counts[fate].datagrams,
          0,
        );
        expect(fates + others).toBe(counts.carried.datagrams + counts.duplicated.datagrams);
        expect(counts.delivered.datagrams + counts.corrupted.datagrams).toBe(
          a.statistics.received.datagrams + b.statistics.received.datagrams,
        );
      }),
      { numRuns: 400 },
    );
  });
});

/** The least that a clock has to be: late, and the later the further ahead it was set. */
class PlainClock implements Clock {
  readonly #queue = new EventQueue<() => void>();
  #nowUs = 1_000_000;

  nowUs(): number {
    return this.#nowUs;
  }

  setTimer(atUs: number, run: () => void): unknown {
    const aheadUs = Math.max(0, atUs - this.#nowUs);
    return this.#queue.insert(this.#nowUs + Math.ceil(aheadUs * 1.1), run);
  }

  clearTimer(handle: unknown): void {
    if (!(handle instanceof QueuedEvent)) throw new Error("not a handle of this clock");
    this.#queue.remove(handle);
  }

  run(): void {
    for (let event = this.#queue.takeFirst(); event; event = this.#queue.takeFirst()) {
      this.#nowUs = event.at;
      event.item();
    }
  }
}

describe("a clock of one's own", () => {
  it("is enough, if it does what the interface says, and may be late", () => {
    for (const preset of Object.values(presets)) {
      const clock = new PlainClock();
      const settings = { ...preset(), jitterUs: 5000, loss: 0.1 };
      const { a, b } = lossyPair<PlainClock>({ ...settings, clock });
      const received: number[] = [];
      let sent = 0;
      a.open({ onDatagram: () => undefined });
      b.open({ onDatagram: (_from, [first]) => received.push(first!) });
      const next = (): void => {
        if (sent < 100) a.send(b.localAddress, Uint8Array.of(sent++), next);
        if (sent === 50) a.setImpairments({ jitterUs: 0 });
      };
      next();
      next();
      clock.run();
      expect(sent).toBe(100);
      expect(received.length).toBeGreaterThan(70);
      expect(received).toEqual([...received].sort((one, other) => one - other));
    }
  });
});

describe("lossyPair", () => {
  it("has addresses of its own, or those that are given", () => {
    const given = lossyPair({ addressA: Uint8Array.of(1), addressB: Uint8Array.of(2) });
    expect([...given.a.localAddress, ...given.b.localAddress]).toEqual([1, 2]);
    const { a, b } = lossyPair();
    expect([...a.localAddress]).toEqual([2, 0, 0, 0, 0, 10]);
    expect([...b.localAddress]).toEqual([2, 0, 0, 0, 0, 11]);
  });

  it("is of one run for one seed", () => {
    const run = (seed?: number): string => {
      const options = seed === undefined ? {} : { seed };
      const { a, b, clock, received } = openPair({ ...options, loss: 0.5 });
      let index = 0;
      const next = (): void => {
        if (index < 64) a.send(b.localAddress, Uint8Array.of(index++), next);
      };
      next();
      clock.runSync();
      return String(received.b);
    };
    expect(run(1)).toBe(run(1));
    expect(run(1)).not.toBe(run(2));
    expect(run()).toBe(run(1));
  });

  it("can be awaited on its clock", async () => {
    const { a, b, clock } = lossyPair();
    b.open({ onDatagram: () => undefined });
    a.open({ onDatagram: () => undefined });
    const sendOne = (virtual: VirtualClock): Promise<SendOutcome> =>
      new Promise((resolve) => {
        a.send(b.localAddress, Uint8Array.of(1), (outcome) => {
          virtual.wakeWaiters();
          resolve(outcome);
        });
      });
    const seen: unknown[] = [];
    const program = async (): Promise<void> => {
      for (let round = 1; round <= 3; round++) seen.push([await sendOne(clock), clock.nowUs()]);
    };
    void program();
    expect(await clock.run()).toBe("idle");
    expect(seen).toEqual([1, 2, 3].map((round) => ["sent", round * airtimeUs(1)]));
  });
});
