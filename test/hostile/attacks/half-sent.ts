import type { Attack, Shot, Vantage } from "../attack.js";
import { bytesOf, loose, skip, strangerAddress } from "../forge.js";
import { HostilePeer } from "../hostile-peer.js";

const CHANNELS = 16;
const LANES = 4;
/** What a full datagram has room for beside head, CRC, fragment head and total. */
const FULL_BYTES = 230;

/** So small that an attack reaches them within a test. */
const SMALL = {
  messageBytesMax: 4096,
  peerBytesMax: 12_288,
  totalBytesMax: 65_536,
  strangerBytesMax: 4096,
  window: 255,
};

/** Messages that are begun and never ended, by a peer that has proved itself (sections 7.4, 8 and 11). */
export const HALF_SENT: readonly Attack[] = [
  {
    name: "a message begun on each channel and never ended",
    knows: "peer",
    limits: SMALL,
    datagrams: 800,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; ; at++) {
        for (let channel = 0; channel < CHANNELS; channel++) {
          const place = at === 0 ? "first" : "middle";
          yield peer.say([peer.fragment(channel, at, place, bytesOf(FULL_BYTES, channel))]);
        }
      }
    },
  },
  {
    name: "totals of a gigabyte, of 2^32 - 1 and of 2^53 - 1",
    knows: "peer",
    datagrams: 600,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      const totals = [1e9, 2 ** 32 - 1, 2 ** 32, Number.MAX_SAFE_INTEGER, 2 ** 20 + 1];
      for (let step = 0; ; step++) {
        const total = totals[step % totals.length] ?? 0;
        yield peer.say([peer.fragment(step % CHANNELS, 0, "first", bytesOf(50), { total })], {
          ask: 1,
        });
      }
    },
  },
  {
    name: "room reserved for the largest message on every channel",
    knows: "peer",
    limits: SMALL,
    datagrams: 600,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      const total = SMALL.messageBytesMax;
      for (let step = 0; ; step++)
        yield peer.say([peer.fragment(step % CHANNELS, 0, "first", bytesOf(9), { total })]);
    },
  },
  {
    name: "thousands of messages half-sent, each given up",
    knows: "peer",
    limits: SMALL,
    datagrams: 1000,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let at = 0; ; at += 2) {
        const frames = [0, 6, 10, 14].flatMap((channel) => [
          peer.fragment(channel, at, "first", bytesOf(20, at), { total: 500 }),
          skip(channel, peer.token + at + 2),
        ]);
        yield peer.say(frames);
      }
    },
  },
  {
    name: "windows full of fragments behind a gap",
    knows: "peer",
    limits: SMALL,
    datagrams: 1000,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let step = 0; ; step++) {
        const channel = step % CHANNELS;
        const frames = Array.from({ length: 12 }, (_, at) =>
          peer.fragment(channel, 1 + ((step * 12 + at) % 254), "middle", bytesOf(5, at)),
        );
        yield peer.say(frames);
      }
    },
  },
  {
    name: "some peers, each with half a message in every place, again and again",
    knows: "peer",
    limits: SMALL,
    datagrams: 1500,
    *shots(vantage) {
      for (let step = 0; ; step++) yield* halfOfEverything(vantage, 1 + (step % 4));
    },
  },
];

/** Unacknowledged messages whose fragments never all come: the same for what nobody asks about. */
export const HALF_LOOSE: Attack = {
  name: "unacknowledged messages that are never whole, then silence",
  knows: "peer",
  limits: SMALL,
  datagrams: 800,
  *shots(vantage) {
    const peer = new HostilePeer(vantage, strangerAddress(1));
    yield* peer.meet();
    for (let step = 0; ; step++)
      yield peer.say([loose(step % LANES, 7, ((step / LANES) % 127) | 0, bytesOf(FULL_BYTES, 1))]);
  },
};

/** As many peers as it takes to hold all that may be held for anybody. */
export const ALL_HELD: Attack = {
  name: "many peers that hold together all that may be held",
  knows: "peer",
  limits: SMALL,
  datagrams: 600,
  *shots(vantage) {
    for (let index = 1; ; index++) yield* halfOfEverything(vantage, index);
  },
};

function* halfOfEverything(vantage: Vantage, index: number): Generator<Shot> {
  const peer = new HostilePeer(vantage, strangerAddress(index));
  yield* peer.meet();
  for (let channel = 0; channel < CHANNELS; channel++)
    yield peer.say([peer.fragment(channel, channel % 3, "first", bytesOf(200, channel))]);
}
