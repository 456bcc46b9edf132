import { type LossyPair, lossyPair, type Observation, presets } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeAck, decodeFragment, encodeAck } from "./fragments.js";
import { PassesSender } from "./passes.js";
import { Receiver } from "./receiver.js";
import type { Sender, SenderEnd, SenderOptions } from "./sender.js";
import { StopAndWaitSender } from "./stop-and-wait.js";

interface Outcome extends LossyPair {
  readonly ends: SenderEnd[];
  readonly messages: Uint8Array[];
  readonly onAir: Observation[];
}

interface Stage {
  readonly make: (options: SenderOptions) => Sender;
  readonly bytes: Uint8Array;
  readonly acks: boolean;
  readonly airtimeUs?: (bytes: number) => number;
  readonly loss?: number;
  readonly seed?: number;
}

function prepare(stage: Stage): Outcome & { sender: Sender } {
  const { loss = 0, seed = 1, bytes, acks, make, airtimeUs } = stage;
  const pair = lossyPair({ ...presets.reference(), loss, seed });
  const { a, b, clock } = pair;
  const outcome = {
    ends: [] as SenderEnd[],
    messages: [] as Uint8Array[],
    onAir: [] as Observation[],
  };
  pair.medium.observe((seen) => outcome.onAir.push({ ...seen, datagram: seen.datagram.slice() }));
  const receiver = new Receiver({
    link: b,
    acks,
    onMessage: (whole) => outcome.messages.push(whole),
  });
  const onEnd = (end: SenderEnd) => outcome.ends.push(end);
  const options = { link: a, clock, to: b.localAddress, bytes, onEnd };
  const sender = make({ ...options, ...(airtimeUs && { airtimeUs }) });
  b.open({ onDatagram: (from, datagram) => receiver.handleDatagram(from, datagram) });
  a.open({ onDatagram: (_from, datagram) => sender.handleDatagram(datagram) });
  return { ...pair, ...outcome, sender };
}

function play(stage: Stage): Outcome {
  const { sender, ...outcome } = prepare(stage);
  sender.start();
  outcome.clock.runSync();
  return outcome;
}

const stopAndWait = (options: SenderOptions) => new StopAndWaitSender(options, 20_000);
const indexOf = ({ datagram }: Observation) => decodeFragment(datagram)?.index;

describe("stop-and-wait", () => {
  it("delivers once at any loss, and knows that it has", () => {
    const message = fc.uint8Array({ maxLength: 2000 });
    const loss = fc.double({ min: 0, max: 0.6, noNaN: true });
    fc.assert(
      fc.property(message, loss, fc.nat(), (bytes, p, seed) => {
        const outcome = play({ make: stopAndWait, bytes, acks: true, loss: p, seed });
        expect(outcome.messages).toEqual([bytes]);
        expect(outcome.ends).toEqual(["acknowledged"]);
      }),
    );
  });

  it("has one frame on its way at a time", () => {
    const { onAir } = play({ make: stopAndWait, bytes: new Uint8Array(1000), acks: true });
    const names = onAir.map((seen) => indexOf(seen) ?? `ack ${decodeAck(seen.datagram)?.index}`);
    expect(names).toEqual([0, "ack 0", 1, "ack 1", 2, "ack 2", 3, "ack 3", 4, "ack 4"]);
  });

  it("repeats a frame a fixed time after it has left, and gives up after so many attempts", () => {
    const make = (options: SenderOptions) => new StopAndWaitSender(options, 20_000, 4);
    const { onAir, ends, clock } = play({ make, bytes: new Uint8Array(500), acks: true, loss: 1 });
    expect(ends).toEqual(["given-up"]);
    // A full frame takes 2,896 µs.
    expect(onAir.map(({ leftAtUs }) => leftAtUs)).toEqual([2896, 25_792, 48_688, 71_584]);
    expect(clock.nowUs()).toBe(91_584);
  });

  it("waits longer where the link says too soon that a frame has left", () => {
    const make = (options: SenderOptions) => new StopAndWaitSender(options, 20_000, 2);
    const bytes = new Uint8Array(9);
    const { clock } = play({ make, bytes, acks: false, loss: 1, airtimeUs: () => 5000 });
    expect(clock.nowUs()).toBe(50_000);
  });

  it("counts an ack for one attempt only, and attempts for one fragment only", () => {
    const make = (options: SenderOptions) => new StopAndWaitSender(options, 20_000, 2);
    const { a, b, clock, sender, ends, onAir } = prepare({
      make,
      bytes: new Uint8Array(500),
      acks: false,
    });
    sender.start();
    // Each fragment's first attempt is lost on the receiver, its second is acknowledged twice.
    for (const index of [0, 1, 2]) {
      clock.runSync(clock.nowUs() + 23_000);
      for (const _twice of [1, 2])
        b.send(a.localAddress, encodeAck({ message: 1, index }), () => {});
      clock.runSync(clock.nowUs() + 5000);
    }
    clock.runSync();
    expect(ends).toEqual(["acknowledged"]);
    expect(onAir.map(indexOf).filter((index) => index !== undefined)).toEqual([0, 0, 1, 1, 2, 2]);
  });

  it("says and sends nothing more once it is stopped", () => {
    const { clock, sender, ends, onAir } = prepare({
      make: stopAndWait,
      bytes: new Uint8Array(9),
      acks: false,
    });
    sender.start();
    clock.runSync(10_000);
    sender.stop();
    sender.handleDatagram(encodeAck({ message: 1, index: 0 }));
    clock.runSync();
    expect(onAir).toHaveLength(1);
    expect(ends).toEqual([]);
  });
});

describe("three times", () => {
  const threeTimes = (options: SenderOptions) => new PassesSender(options, 3);

  it("sends all fragments in three passes with no gap, and is through", () => {
    const { onAir, ends, messages, clock } = play({
      make: threeTimes,
      bytes: new Uint8Array(700),
      acks: false,
    });
    expect(onAir.map(indexOf)).toEqual([0, 1, 2, 0, 1, 2, 0, 1, 2]);
    expect(ends).toEqual(["sent"]);
    expect(messages).toHaveLength(1);
    const airtimeUs = onAir.reduce(
      (sum, { datagram }) => sum + 552 + 8 * (43 + datagram.length),
      0,
    );
    expect(clock.nowUs()).toBe(airtimeUs);
  });

  it("delivers exactly what got through at least once", () => {
    const loss = fc.double({ min: 0, max: 0.9, noNaN: true });
    fc.assert(
      fc.property(loss, fc.nat(), (p, seed) => {
        const bytes = new Uint8Array(1200).fill(3);
        const { onAir, messages } = play({ make: threeTimes, bytes, acks: false, loss: p, seed });
        const through = onAir.filter(({ fate }) => fate === "delivered");
        const isWhole = new Set(through.map(indexOf)).size === 5;
        expect(messages).toEqual(isWhole ? [bytes] : []);
      }),
    );
  });

  it("keeps its own pace where the link does not, without a gap that adds up", () => {
    const { onAir } = play({
      make: threeTimes,
      bytes: new Uint8Array(490),
      acks: false,
      airtimeUs: () => 10_000,
    });
    const starts = onAir.map(({ leftAtUs }) => leftAtUs - 2896);
    expect(starts).toEqual([0, 10_000, 20_000, 30_000, 40_000, 50_000]);
  });

  it.each([
    [3000, 2],
    [9 * 2896 - 1, 9],
  ])("says and sends nothing more once it is stopped, at %i µs", (atUs, frames) => {
    const { clock, sender, onAir, ends } = prepare({
      make: threeTimes,
      bytes: new Uint8Array(3 * 245),
      acks: false,
    });
    sender.start();
    clock.runSync(atUs);
    sender.stop();
    clock.runSync();
    expect(onAir).toHaveLength(frames);
    expect(ends).toEqual([]);
  });
});
