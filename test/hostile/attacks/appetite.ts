import type { MessageHead } from "@fardel/core";
import type { Attack } from "../attack.js";
import { bytesOf, skip, strangerAddress } from "../forge.js";
import { HostilePeer } from "../hostile-peer.js";

const SMALL = {
  messageBytesMax: 4096,
  peerBytesMax: 12_288,
  totalBytesMax: 65_536,
  strangerBytesMax: 4096,
  streamBytesMax: 4096,
};

/** Only what the attacker sends is taken as a stream, or not at all. */
function acceptFrom(word: "stream" | "refuse") {
  const hostile = strangerAddress(1);
  return ({ address }: MessageHead) =>
    address.every((byte, at) => byte === hostile[at]) ? word : "whole";
}

/** Peers that ask for more than they should get: streams, requests, readings (sections 5.5, 5.6 and 8). */
export const APPETITE: readonly Attack[] = [
  {
    name: "messages that the owner refuses",
    knows: "peer",
    limits: { ...SMALL, accept: acceptFrom("refuse") },
    datagrams: 800,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; ; at++)
        yield peer.say([
          peer.fragment(at % 14, at >> 4, "first", bytesOf(60, at), { total: 1000 }),
          peer.fragment(at % 14, (at >> 4) + 1, "whole", bytesOf(9, at)),
        ]);
    },
  },
  {
    name: "streams that nobody reads",
    knows: "peer",
    limits: { ...SMALL, accept: acceptFrom("stream") },
    datagrams: 800,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; ; at++)
        for (let channel = 0; channel < 14; channel++)
          yield peer.say([
            peer.fragment(channel, at, at === 0 ? "first" : "middle", bytesOf(200, at)),
          ]);
    },
  },
  {
    name: "requests by the hundred, and replies to nobody",
    knows: "peer",
    limits: SMALL,
    datagrams: 800,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; ; at += 8) {
        const frames = Array.from({ length: 8 }, (_, i) => {
          const body = Uint8Array.of(i % 4, (at + i) >>> 8, at + i, 7, 7, 7);
          return peer.fragment(14 + (i & 1), at + (i >> 1), "whole", body);
        });
        yield peer.say(frames, { ask: 1 });
      }
    },
  },
  {
    name: "newest values by the hundred",
    knows: "peer",
    limits: SMALL,
    datagrams: 800,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; ; at += 63) {
        const frames = [10, 11, 12, 13].flatMap((channel) =>
          [63, 5, 40].map((ahead) => peer.fragment(channel, at + ahead, "whole", bytesOf(9, at))),
        );
        yield peer.say(frames);
      }
    },
  },
];

/** Each of them two frames of nine bytes in all. */
export const EMPTY_STREAMS: Attack = {
  name: "streams that begin with nothing and are given up at once, by the hundred",
  knows: "peer",
  limits: { ...SMALL, accept: acceptFrom("stream") },
  datagrams: 800,
  *shots(vantage) {
    const peer = new HostilePeer(vantage, strangerAddress(1));
    yield* peer.meet();
    for (let at = 0; ; ) {
      const frames = Array.from({ length: 20 }, () => [
        peer.fragment(0, at, "first", new Uint8Array(0), { total: 10 }),
        skip(0, peer.token + ++at),
      ]).flat();
      yield peer.say(frames);
    }
  },
};
