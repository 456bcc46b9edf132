import type { Random } from "@fardel/lossy-link";
import type { Ask, Frame } from "../../../packages/core/src/wire/index.js";
import type { Attack, Shot } from "../attack.js";
import {
  ack,
  bytesOf,
  data,
  forge,
  forgeBody,
  HELLO,
  loose,
  skip,
  stop,
  strangerAddress,
} from "../forge.js";
import { HostilePeer } from "../hostile-peer.js";

/** Of the kinds of frames below. */
const LOOSE_KIND = 9;

/** Any frame, its numbers near those that matter. */
function anyFrame(random: Random, start: number, kindsMax = 8): Frame {
  const near = start + random.integer(-3, 70);
  const channel = random.integer(0, 15);
  const bytes = bytesOf(random.integer(0, 20), random.integer(0, 30));
  switch (random.integer(0, kindsMax)) {
    case 0:
      return skip(channel, near);
    case 1:
      return stop(channel, near, random.integer(0, 255));
    case 3:
      return ack(channel, random.integer(0, 0xffff), near, {
        window: random.integer(0, 255),
        prompt: random.integer(0, 1) === 1,
        truncated: random.integer(0, 1) === 1,
        map: bytesOf(random.integer(0, 32), 3),
      });
    case 4:
      return { type: "extension", kind: random.integer(0, 15), bytes };
    case 5:
      return HELLO;
    case LOOSE_KIND:
      return loose(channel & 3, near & 0xffff, random.integer(0, 126), bytesOf(9));
    default:
      return anyData(random, channel, near, bytes);
  }
}

function anyData(random: Random, channel: number, fragment: number, bytes: Uint8Array): Frame {
  const place = (["whole", "first", "middle", "last"] as const)[random.integer(0, 3)] ?? "whole";
  const isEmpty = bytes.length === 0 && place !== "whole";
  const total = random.integer(0, 3) ? random.integer(0, 2000) : random.uint32();
  return data(channel, fragment, place, isEmpty ? Uint8Array.of(1) : bytes, { total });
}

/** Whole datagrams of nonsense, with good checksums. */
export const FUZZ: readonly Attack[] = [
  {
    name: "random sequences of frames, in a session",
    knows: "peer",
    datagrams: 2000,
    *shots(vantage) {
      const { random } = vantage;
      for (let index = 0; ; index++) {
        const peer = new HostilePeer(vantage, strangerAddress(index % 9));
        yield* peer.meet();
        if (index % 2) vantage.lure(peer.address, 3000);
        for (let step = 0; step < 100; step++) {
          const frames = Array.from({ length: random.integer(0, 5) }, () =>
            anyFrame(random, random.integer(0, 1) ? peer.token : peer.victimToken),
          );
          yield peer.say(frames, { ask: askOf(random), short: step % 7 !== 0 });
        }
      }
    },
  },
  {
    name: "frames of strangers that claim a session",
    knows: "stranger",
    datagrams: 1500,
    *shots({ random, goodPeer }) {
      for (let step = 0; ; step++) {
        const tokenFrom = random.integer(1, 5);
        const frames = Array.from({ length: random.integer(0, 4) }, () =>
          anyFrame(random, tokenFrom),
        );
        const head = {
          tokenTo: step % 2 ? 0 : random.uint32(),
          tokenFrom,
          number: random.integer(0, 50),
        };
        const from = step % 5 ? strangerAddress(step % 20) : goodPeer;
        yield {
          from,
          datagram: forge({ ...head, ask: askOf(random), short: step % 6 === 0 }, frames),
        };
      }
    },
  },
];

/** The same with fragments of unacknowledged messages among the frames, and nothing but those that are cut off. */
export const LOOSE_FUZZ: Attack = {
  name: "random sequences of frames, unacknowledged fragments among them",
  knows: "peer",
  datagrams: 2000,
  *shots(vantage) {
    const { random } = vantage;
    for (let index = 0; ; index++) {
      const peer = new HostilePeer(vantage, strangerAddress(index % 9));
      yield* peer.meet();
      for (let step = 0; step < 100; step++) {
        const frames = Array.from({ length: random.integer(0, 5) }, () =>
          anyFrame(random, peer.token, LOOSE_KIND),
        );
        yield peer.say(frames, { ask: askOf(random) });
      }
    }
  },
};

/** Nothing that can be read as frames, but heads and checksums are good. */
export const MALFORMED_QUESTIONS: Attack = {
  name: "malformed datagrams to tokens that nobody has",
  knows: "stranger",
  datagrams: 1500,
  *shots({ random }) {
    for (let step = 0; ; step++) {
      const head = { tokenTo: random.uint32(), tokenFrom: random.uint32(), number: step };
      // 0x5f is no type of frame.
      const body = Uint8Array.of(0x5f, ...bytesOf(random.integer(0, 40), step));
      yield { from: strangerAddress(step % 100), datagram: forgeBody(head, body) };
    }
  },
};

function askOf(random: Random): Ask {
  return ([0, 1, 2, 3] as const)[random.integer(0, 3)] ?? 0;
}

/** True datagrams of the good peer, one thing changed and sealed anew: what the document does not protect against. */
export const FORGERIES: readonly Attack[] = [
  {
    name: "true datagrams with one bit flipped, their CRC mended",
    knows: "eavesdropper",
    harms: "sessions",
    datagrams: 1500,
    *shots(vantage) {
      const { random, overheard, goodPeer } = vantage;
      for (;;) {
        const heard = overheard.newest("good");
        if (!heard) {
          yield { from: goodPeer, datagram: Uint8Array.of(0), pauseUs: 50_000 };
          continue;
        }
        const headBytes = heard.head.short ? 3 : 13;
        const body = heard.datagram.slice(headBytes, heard.datagram.length - 2);
        const at = random.integer(0, body.length - 1);
        body[at] = (body[at] ?? 0) ^ (1 << random.integer(0, 7));
        // Ahead of the true ones, or it would be dropped as a duplicate.
        const number = (overheard.number.good + random.integer(1, 4)) >>> 0;
        yield {
          from: goodPeer,
          datagram: forgeBody({ ...heard.head, number }, body),
          pauseUs: 4000,
        };
      }
    },
  },
  {
    name: "forged CLOSE and NO-SESSION with the right tokens",
    knows: "eavesdropper",
    harms: "sessions",
    datagrams: 300,
    *shots({ overheard, goodPeer }) {
      for (let step = 0; ; step++)
        yield ending(overheard.token, overheard.number.good, goodPeer, step);
    },
  },
  {
    name: "numbers pushed far ahead with the right tokens",
    knows: "eavesdropper",
    harms: "sessions",
    datagrams: 200,
    *shots({ overheard, goodPeer, random }) {
      for (;;) {
        const { victim: tokenTo, good: tokenFrom } = overheard.token;
        const number = random.uint32();
        const frames = [skip(0, random.integer(0, 0xffff)), ack(0, 0, 0, { window: 0 })];
        yield {
          from: goodPeer,
          datagram: forge({ tokenTo, tokenFrom, number }, frames),
          pauseUs: 100_000,
        };
      }
    },
  },
];

function ending(
  { victim: tokenTo, good: tokenFrom }: { victim: number; good: number },
  highest: number,
  from: Uint8Array,
  step: number,
): Shot {
  const number = (highest + 1) >>> 0;
  const datagram =
    step % 2 === 0
      ? forge({ tokenTo, tokenFrom, number }, [{ type: "close", reason: 0 }])
      : forge({ tokenTo, tokenFrom: 0, number: 0 }, [{ type: "no-session" }]);
  return { from, datagram, pauseUs: 50_000 };
}

/** The same frame, but for one field. */
function changed(random: Random, frame: Frame): Frame {
  const add = random.integer(-2, 2);
  const wrap = (value: number) => (value + add) & 0xffff;
  switch (frame.type) {
    case "data":
      return random.integer(0, 1)
        ? { ...frame, fragment: wrap(frame.fragment) }
        : { ...frame, channel: random.integer(0, 15) };
    case "ack":
      return random.integer(0, 1)
        ? { ...frame, next: wrap(frame.next) }
        : { ...frame, window: random.integer(0, 255) };
    case "skip":
      return { ...frame, next: wrap(frame.next) };
    case "stop":
      return { ...frame, first: wrap(frame.first) };
    default:
      return frame;
  }
}

/** Of random bytes some are fragments of unacknowledged messages. */
export const BYTES_OF_STRANGERS: Attack = {
  name: "random bytes with a good CRC, from strangers",
  knows: "stranger",
  datagrams: 1500,
  *shots({ random }) {
    for (let step = 0; ; step++) {
      const tokenFrom = random.integer(0, 0xffff_ffff);
      const head = { tokenTo: 0, tokenFrom, number: random.uint32() };
      const body = bytesOf(random.integer(0, 60), step);
      yield { from: strangerAddress(step % 100), datagram: forgeBody(head, body) };
    }
  },
};

/** The same behind the right tokens. */
export const BYTES_OF_A_PEER: Attack = {
  name: "random bytes with a good CRC, in a session",
  knows: "peer",
  datagrams: 1500,
  *shots(vantage) {
    const { random } = vantage;
    for (let index = 0; ; index++) {
      const peer = new HostilePeer(vantage, strangerAddress(index % 9));
      yield* peer.meet();
      for (let step = 0; step < 100; step++) {
        const { token: tokenFrom, victimToken: tokenTo } = peer;
        const head = { tokenTo, tokenFrom, number: peer.number++, short: step % 5 !== 0 };
        const body = bytesOf(random.integer(0, 60), `${index} ${step}`);
        yield { from: peer.address, datagram: forgeBody(head, body) };
      }
    }
  },
};

/** Fragments that contradict true ones, and come before them. */
export const CHANGED_FIELDS: Attack = {
  name: "true datagrams with one field of one frame changed",
  knows: "eavesdropper",
  harms: "sessions",
  datagrams: 1500,
  *shots(vantage) {
    const { random, overheard, goodPeer } = vantage;
    for (;;) {
      const heard = overheard.newest("good");
      if (!heard) {
        yield { from: goodPeer, datagram: Uint8Array.of(0), pauseUs: 50_000 };
        continue;
      }
      const number = (overheard.number.good + random.integer(1, 4)) >>> 0;
      const frames = heard.frames.map((frame) => changed(random, frame));
      yield { from: goodPeer, datagram: forge({ ...heard.head, number }, frames), pauseUs: 4000 };
    }
  },
};
