import { describe, expect, it } from "vitest";
import { ackFrameBytes } from "../wire/ack-frame.js";
import { ByteWriter } from "../wire/byte-writer.js";
import { decodeFrames } from "../wire/frames.js";
import { Budget } from "./budget.js";
import type { ReceiveSink } from "./receive-channel.js";
import { Receiver } from "./receiver.js";

const CHANNELS = 5;
const sink: ReceiveSink = {
  judge: () => "whole",
  deliver: () => undefined,
  openStream: () => 0,
  streamData: () => undefined,
  endStream: () => undefined,
  failStream: () => undefined,
  hasStreamRoom: () => true,
};

function receiver(): Receiver {
  const limits = { window: 8, fragmentBytes: () => 60, messageBytesMax: 100, streamBytesMax: 100 };
  const made = new Receiver(0, limits, new Budget(100_000), new Budget(100_000), sink);
  for (let channel = 0; channel < CHANNELS; channel++) {
    const shape = { first: true, last: true, total: 0, crc32: 0 };
    made.handleData({ type: "data", channel, fragment: 0, ...shape, bytes: new Uint8Array(3) });
  }
  return made;
}

/** Channels that an ack with room for `count` of them mentions, and whether it is the last of its round. */
function ack(of: Receiver, count: number): { channels: number[]; isLast: boolean } {
  const out = new ByteWriter(new Uint8Array(count * ackFrameBytes(0)));
  const isLast = of.writeAcks(out, 1, true);
  const frames = decodeFrames(out.bytes, 0, out.at);
  if (!frames.ok) throw new Error(frames.fault);
  return {
    channels: frames.value.map((frame) => (frame.type === "ack" ? frame.channel : -1)),
    isLast,
  };
}

function round(of: Receiver, count: number): number[][] {
  const acks: number[][] = [];
  for (;;) {
    const { channels, isLast } = ack(of, count);
    acks.push(channels);
    if (isLast) return acks;
  }
}

describe("the acks that answer a question", () => {
  it("mention all channels, as many in each as find room", () => {
    const of = receiver();
    round(of, 2);
    of.mentionAll();
    const acks = round(of, 2);
    expect(acks.map(({ length }) => length)).toEqual([2, 2, 1]);
    expect(acks.flat().sort()).toEqual([0, 1, 2, 3, 4]);
  });

  it("begin with another channel in each round, so that a queue of one hides none for ever", () => {
    const of = receiver();
    round(of, 1);
    const heard = new Set<number>();
    for (let question = 0; question < CHANNELS; question++) {
      of.mentionAll();
      // The others of the burst are dropped on the way, each time.
      for (const channel of round(of, 1)[0] ?? []) heard.add(channel);
    }
    expect([...heard].sort()).toEqual([0, 1, 2, 3, 4]);
  });

  it("finish a round that is under way before they begin another", () => {
    const of = receiver();
    round(of, 5);
    of.mentionAll();
    const first = ack(of, 2).channels;
    of.mentionAll();
    const rest = round(of, 2).flat();
    expect([...first, ...rest].sort()).toEqual([0, 1, 2, 3, 4]);
  });
});
