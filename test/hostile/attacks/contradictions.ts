import type { Attack } from "../attack.js";
import { bytesOf, strangerAddress } from "../forge.js";
import { HostilePeer } from "../hostile-peer.js";

const CHANNELS = 16;

/** Fragments that contradict each other, by a peer that has proved itself (sections 5.2 and 5.3). */
export const CONTRADICTIONS: readonly Attack[] = [
  {
    name: "the same fragment with other bytes, another place, another total",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      const { random } = vantage;
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      const places = ["whole", "first", "middle", "last"] as const;
      for (;;) {
        const frames = Array.from({ length: 6 }, () =>
          peer.fragment(
            random.integer(0, CHANNELS - 1),
            random.integer(0, 12),
            places[random.integer(0, 3)] ?? "whole",
            bytesOf(random.integer(1, 30), random.integer(0, 5)),
            { total: random.integer(0, 90), crc32: random.uint32() },
          ),
        );
        yield peer.say(frames);
      }
    },
  },
  {
    name: "the last flag moved, before and after the message is complete",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; ; at += 3) {
        const say = (offset: number, place: "first" | "middle" | "last") =>
          peer.say([
            peer.fragment(6, at + offset, place, bytesOf(40, offset), { total: 120, crc32: at }),
          ]);
        yield say(0, "first");
        yield say(2, "last");
        yield say(2, "middle");
        yield say(1, "last");
        yield say(1, "middle");
        yield say(2, "last");
      }
    },
  },
  {
    name: "a message whose CRC-32 is wrong, its last fragment again and again",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; at < 62; at++)
        yield peer.say([peer.fragment(0, at, at === 0 ? "first" : "middle", bytesOf(200, at))]);
      for (let step = 0; ; step++)
        yield peer.say([peer.fragment(0, 62, "last", bytesOf(9), { crc32: step })]);
    },
  },
  {
    name: "fragments of a message that has been delivered",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let step = 0; ; step++) {
        const channel = step % CHANNELS;
        const first = Math.floor(step / CHANNELS) * 2;
        yield peer.say([peer.fragment(channel, first, "whole", bytesOf(9, step))]);
        yield peer.say([peer.fragment(channel, first, "first", bytesOf(9, 1), { total: 20 })]);
        yield peer.say([peer.fragment(channel, first + 1, "last", bytesOf(9, 2))]);
      }
    },
  },
];

/** Many copies of the fragment that completes a damaged message, in each datagram. */
export const DAMAGED_RUNS: Attack = {
  name: "the end of a damaged message that waits behind a gap, many times in a datagram",
  knows: "peer",
  datagrams: 800,
  *shots(vantage) {
    const peer = new HostilePeer(vantage, strangerAddress(1));
    yield* peer.meet();
    for (let at = 1; at < 62; at++)
      yield peer.say([peer.fragment(6, at, at === 1 ? "first" : "middle", bytesOf(230, at))]);
    for (;;) {
      const copies = Array.from({ length: 25 }, () =>
        peer.fragment(6, 62, "last", bytesOf(1), { crc32: 1 }),
      );
      yield peer.say(copies);
    }
  },
};
