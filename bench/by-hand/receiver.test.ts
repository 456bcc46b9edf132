import { lossyPair } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeAck, framesOf } from "./fragments.js";
import { Receiver } from "./receiver.js";

function openReceiver({ acks = true } = {}) {
  const { a, b, clock } = lossyPair();
  const messages: Uint8Array[] = [];
  const acked: number[] = [];
  a.open({ onDatagram: (_from, ack) => acked.push(decodeAck(ack)?.index ?? -1) });
  b.open({ onDatagram: () => {} });
  const receiver = new Receiver({ link: b, acks, onMessage: (bytes) => messages.push(bytes) });
  /** As a link does it: what was handed over is its own again afterwards. */
  const hear = (frame: Uint8Array | undefined) => {
    const [from, datagram] = [a.localAddress.slice(), frame?.slice() ?? new Uint8Array()];
    receiver.handleDatagram(from, datagram);
    from.fill(0xee);
    datagram.fill(0xee);
    clock.runSync();
  };
  return { receiver, hear, messages, acked };
}

describe("the receiver by hand", () => {
  it("delivers once, in whatever order and however often the fragments come", () => {
    const message = fc.uint8Array({ minLength: 1, maxLength: 150 });
    fc.assert(
      fc.property(message, fc.infiniteStream(fc.nat()), (bytes, draws) => {
        const frames = framesOf(1, bytes, 20);
        const { hear, messages, receiver } = openReceiver();
        const missing = new Set(frames.keys());
        for (let drawn = 0; missing.size > 0; drawn++) {
          expect(messages).toEqual([]);
          // So that it ends, whatever is drawn.
          const next = drawn < 100 ? draws.next().value % frames.length : [...missing][0]!;
          hear(frames[next]);
          missing.delete(next);
        }
        expect(messages).toEqual([bytes]);
        expect(receiver.heldBytes).toBe(bytes.length);
        for (const frame of frames) hear(frame);
        expect(messages).toHaveLength(1);
      }),
    );
  });

  it("acknowledges each fragment each time, also when the message is whole", () => {
    const frames = framesOf(1, new Uint8Array(40), 20);
    const { hear, acked } = openReceiver();
    for (const index of [1, 1, 0, 2, 2]) hear(frames[index]);
    expect(acked).toEqual([1, 1, 0, 2, 2]);
  });

  it("says nothing where no acks are wanted, nor to what is no fragment", () => {
    const silent = openReceiver({ acks: false });
    for (const frame of framesOf(1, new Uint8Array(40), 20)) silent.hear(frame);
    expect(silent.messages).toHaveLength(1);
    expect(silent.acked).toEqual([]);
    const loud = openReceiver();
    loud.hear(Uint8Array.of(1, 0, 5, 0, 5, 1, 1, 1));
    loud.hear(new Uint8Array());
    expect(loud.acked).toEqual([]);
  });

  it("gives up a message when another one begins", () => {
    const { hear, messages, receiver } = openReceiver();
    const [one, other] = [1, 2].map((id) => framesOf(id, new Uint8Array(20).fill(id), 20));
    hear(one?.[0]);
    hear(other?.[1]);
    expect(receiver.heldBytes).toBe(5);
    hear(one?.[1]);
    expect(messages).toEqual([]);
    for (const frame of other ?? []) hear(frame);
    expect(messages).toEqual([new Uint8Array(20).fill(2)]);
  });
});
