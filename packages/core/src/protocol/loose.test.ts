import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter } from "../wire/byte-writer.js";
import { decodeFrames } from "../wire/frames.js";
import type { LooseFrame } from "../wire/loose-frame.js";
import { Budget } from "./budget.js";
import { LooseReceiver, LooseSender, type LooseSink, looseBytesMax } from "./loose.js";
import { MessageQueue, OutgoingMessage } from "./outgoing-message.js";

function message(id: number, lane: number, length: number): OutgoingMessage {
  const bytes = Uint8Array.from({ length }, (_, at) => (at * 7 + id * 31) & 0xff);
  return new OutgoingMessage(id, lane, bytes, {
    priority: "normal",
    deadlineUs: Number.POSITIVE_INFINITY,
    afterRestart: "report",
    firstContact: "data",
    isAnswer: false,
    wantsProgress: false,
  });
}

/** All frames of the queue, each in a datagram of its own. */
function framesOf(sender: LooseSender, mtuBytes: number): LooseFrame[] {
  const frames: LooseFrame[] = [];
  for (let number = 0; sender.foremost; number++) {
    const bytes = sender.nextFrameBytes(mtuBytes);
    const out = new ByteWriter(new Uint8Array(mtuBytes - 5));
    sender.write(out, number, mtuBytes, false);
    // One before the last may be a little shorter, so that the last is not empty.
    expect(out.at).toBeLessThanOrEqual(bytes);
    expect(out.at).toBeGreaterThan(bytes - 5);
    const decoded = decodeFrames(out.bytes, 0, out.at);
    if (!decoded.ok) return expect.fail(decoded.fault);
    frames.push(decoded.value[0] as LooseFrame);
  }
  return frames;
}

function bench(budgetBytes = 1 << 20, messageBytesMax = 1 << 20) {
  const queue = new MessageQueue();
  const budget = new Budget(budgetBytes);
  const delivered: { lane: number; bytes: Uint8Array }[] = [];
  const waiting = new Budget(budgetBytes, budget);
  const sink: LooseSink = {
    deliverLoose: (lane, bytes, heldBytes) => {
      delivered.push({ lane, bytes });
      budget.give(heldBytes);
    },
  };
  const receiver = new LooseReceiver(budget, waiting, messageBytesMax, sink);
  return { queue, sender: new LooseSender(queue, 0xffff), budget, receiver, delivered };
}

describe("unacknowledged messages", () => {
  it("arrive whole from fragments in any order, each at most once, or not at all", () => {
    const lengths = fc.array(fc.tuple(fc.nat(3), fc.nat(300)), { minLength: 1, maxLength: 6 });
    fc.assert(
      fc.property(
        lengths,
        fc.constantFrom(20, 64, 250),
        fc.nat(9),
        fc.infiniteStream(fc.nat(99)),
        (list, mtu, loss, draws) => {
          const { queue, sender, budget, receiver, delivered } = bench();
          list.forEach(([lane, length], id) => {
            queue.push(message(id, lane, length));
          });
          const frames = framesOf(sender, mtu);
          const draw = () => draws.next().value ?? 0;
          for (const frame of frames) {
            if (draw() < loss * 10) continue;
            receiver.accept(frame, 0);
            // Repeated by the link, if the replay window let it: a fragment twice is no harm.
            if (frame.fragmented && !frame.last && draw() < 20) receiver.accept(frame, 0);
          }
          const expected = list.map(
            ([lane, length], id) => `${lane} ${message(id, lane, length).bytes}`,
          );
          const seen = delivered.map(({ lane, bytes }) => `${lane} ${bytes}`);
          for (const each of seen) expect(expected).toContain(each);
          if (loss === 0) expect(seen).toEqual(expected);
          receiver.clear();
          expect(budget.heldBytes).toBe(0);
        },
      ),
    );
  });

  it("from fragments in any order", () => {
    const { queue, sender, receiver, delivered } = bench();
    queue.push(message(1, 2, 500));
    for (const frame of framesOf(sender, 64).reverse()) receiver.accept(frame, 0);
    expect(delivered).toEqual([{ lane: 2, bytes: message(1, 2, 500).bytes }]);
  });

  it("a newer one takes the place of an unfinished one, lane by lane, and what it held", () => {
    const { queue, sender, budget, receiver, delivered } = bench();
    for (const [id, lane] of [
      [1, 0],
      [2, 1],
      [3, 0],
    ] as const)
      queue.push(message(id, lane, 100));
    const frames = framesOf(sender, 64);
    const perMessage = frames.length / 3;
    // All but the last of the first two, then all of the third.
    frames.forEach((frame, at) => {
      if (at !== perMessage - 1 && at !== 2 * perMessage - 1) receiver.accept(frame, 0);
    });
    expect(delivered.map(({ bytes }) => bytes)).toEqual([message(3, 0, 100).bytes]);
    receiver.accept(frames[2 * perMessage - 1] as LooseFrame, 0);
    expect(delivered.map(({ lane }) => lane)).toEqual([0, 1]);
    expect(budget.heldBytes).toBe(0);
    // The last of the one that was dropped begins nothing that ever ends.
    receiver.accept(frames[perMessage - 1] as LooseFrame, 0);
    expect(delivered).toHaveLength(2);
  });

  it("is dropped if its CRC-32 does not fit", () => {
    const { queue, sender, budget, receiver, delivered } = bench();
    queue.push(message(1, 0, 100));
    const frames = framesOf(sender, 64);
    const taken = frames.map((frame) =>
      receiver.accept(frame.last ? { ...frame, crc32: frame.crc32 ^ 1 } : frame, 0),
    );
    expect(taken.at(-1)).toBe(false);
    expect([delivered, budget.heldBytes]).toEqual([[], 0]);
  });

  it("is dropped if there is no room, or if it is larger than allowed", () => {
    const tight = bench(200);
    tight.queue.push(message(1, 0, 180));
    expect(framesOf(tight.sender, 250).map((frame) => tight.receiver.accept(frame, 0))).toEqual([
      false,
    ]);
    const small = bench(1 << 20, 99);
    small.queue.push(message(1, 0, 100));
    const taken = framesOf(small.sender, 64).map((frame) => small.receiver.accept(frame, 0));
    expect(taken.at(-1)).toBe(false);
    expect([tight.delivered, small.delivered, small.budget.heldBytes]).toEqual([[], [], 0]);
  });

  it("gives up what stays incomplete for seconds, and what it held", () => {
    const { queue, sender, budget, receiver, delivered } = bench();
    queue.push(message(1, 0, 100));
    const frames = framesOf(sender, 64);
    for (const frame of frames.slice(1)) receiver.accept(frame, 1000);
    const held = budget.heldBytes;
    receiver.expire(1_000_000);
    expect([held > 100, budget.heldBytes]).toEqual([true, held]);
    receiver.expire(60_000_000);
    expect(budget.heldBytes).toBe(0);
    receiver.accept(frames[0] as LooseFrame, 60_000_001);
    expect(delivered).toEqual([]);
  });

  it("may be as long as 128 fragments, at every MTU", () => {
    for (const mtuBytes of [20, 63, 64, 250]) {
      const { queue, sender, receiver, delivered } = bench();
      const length = looseBytesMax(mtuBytes);
      queue.push(message(5, 3, length));
      const frames = framesOf(sender, mtuBytes);
      expect(frames.length).toBeLessThanOrEqual(128);
      for (const frame of frames) receiver.accept(frame, 0);
      expect(delivered).toEqual([{ lane: 3, bytes: message(5, 3, length).bytes }]);
    }
  });

  it("ends with the datagram that carries its last fragment", () => {
    const queue = new MessageQueue();
    const sender = new LooseSender(queue, 1);
    const [small, large] = [message(1, 0, 5), message(2, 0, 300)];
    queue.push(small);
    queue.push(large);
    const write = (number: number) =>
      sender.write(new ByteWriter(new Uint8Array(300)), number, 250, true);
    write(7);
    write(7);
    write(8);
    expect(sender.foremost).toBeUndefined();
    expect(sender.takeLeft(7)).toEqual([small]);
    expect(sender.takeLeft(7)).toEqual([]);
    expect(sender.takeUnfinished()).toEqual([large]);
    expect(sender.takeLeft(8)).toEqual([]);
  });
});
