import { describe, expect, it } from "vitest";
import {
  CRC_BYTES,
  decodeFrames,
  decodeHead,
  type Frame,
} from "../../packages/core/src/wire/index.js";
import { bytesOf, strangerAddress } from "./forge.js";
import { HandVictim } from "./hand-victim.js";

describe("a fragment that waits and cannot be what it says", () => {
  it.each([0, 6])(
    "is damage: its sender is told, or what it sends again is taken, on channel %i",
    async (channel) => {
      const victim = await HandVictim.open();
      let delivered = 0;
      victim.endpoint.onMessage(() => delivered++);
      const peer = await victim.meet(strangerAddress(1));
      // One damaged datagram in 65,536 looks good: here its flags say `middle`.
      await victim.take(peer.say([peer.fragment(channel, 1, "middle", bytesOf(24))]));
      await victim.take(peer.say([peer.fragment(channel, 0, "whole", bytesOf(24))]));
      await victim.take(peer.say([peer.fragment(channel, 1, "whole", bytesOf(24))], { ask: 1 }));
      const answers = victim.sent.flatMap(({ datagram }) => framesOf(datagram));
      const isTold = answers.some(({ type }) => type === "stop");
      expect({ isTold, delivered }).not.toEqual({ isTold: false, delivered: 1 });
    },
  );

  it.each([0, 6])("does not keep back what comes behind it, on channel %i", async (channel) => {
    const victim = await HandVictim.open();
    let delivered = 0;
    victim.endpoint.onMessage(() => delivered++);
    const peer = await victim.meet(strangerAddress(1));
    // It is acknowledged in the map: its sender takes it for delivered, and never sends it again.
    await victim.take(peer.say([peer.fragment(channel, 1, "middle", bytesOf(24))]));
    for (const at of [0, 2, 3, 4])
      await victim.take(peer.say([peer.fragment(channel, at, "whole", bytesOf(24))], { ask: 1 }));
    expect(delivered).toBe(4);
    const [newest] = victim.sent.slice(-1).flatMap(({ datagram }) => framesOf(datagram));
    expect(newest).toMatchObject({ type: "ack", next: (peer.token + 5) & 0xffff });
  });
});

function framesOf(datagram: Uint8Array): readonly Frame[] {
  const head = decodeHead(datagram);
  if (!head.ok) return [];
  const frames = decodeFrames(datagram, head.value.headBytes, datagram.length - CRC_BYTES);
  return frames.ok ? frames.value : [];
}
