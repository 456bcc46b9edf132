import type { Random } from "@fardel/lossy-link";
import type { Frame } from "../../../packages/core/src/wire/index.js";
import type { Attack, Shot, Vantage } from "../attack.js";
import { bytesOf, data, forge, HELLO, loose, strangerAddress } from "../forge.js";

/** What a stranger's first datagram may hold. */
function opening(token: number, frames: readonly Frame[], number = token >>> 16): Uint8Array {
  return forge({ tokenTo: 0, tokenFrom: token, number, ask: 1 }, [HELLO, ...frames]);
}

function anyToken(random: Random): number {
  return random.integer(1, 0xffff_ffff);
}

/** Floods of first datagrams (PROTOCOL.md, sections 4.3 and 4.4). */
export const OPENINGS: readonly Attack[] = [
  {
    name: "openings of one stranger, with a new token each",
    knows: "stranger",
    datagrams: 1500,
    *shots({ random }) {
      const from = strangerAddress(1);
      for (;;) yield { from, datagram: opening(anyToken(random), []) };
    },
  },
  {
    name: "the same opening again and again",
    knows: "stranger",
    datagrams: 1500,
    *shots({ random }) {
      const datagram = opening(anyToken(random), [data(0, 1, "whole", bytesOf(9))]);
      for (;;) yield { from: strangerAddress(1), datagram };
    },
  },
  {
    name: "openings of strangers, each with a new address",
    knows: "stranger",
    datagrams: 3000,
    *shots({ random }) {
      for (let index = 1; ; index++)
        yield { from: strangerAddress(index), datagram: opening(anyToken(random), []) };
    },
  },
  {
    name: "openings with messages, each from a new address",
    knows: "stranger",
    datagrams: 2000,
    *shots({ random }) {
      for (let index = 1; ; index++) {
        const token = anyToken(random);
        const frames = Array.from({ length: random.integer(1, 4) }, (_, at) =>
          data(random.integer(0, 13), token + at, "whole", bytesOf(random.integer(0, 40), at)),
        );
        yield { from: strangerAddress(index), datagram: opening(token, frames) };
      }
    },
  },
  {
    name: "openings with requests, each from a new address",
    knows: "stranger",
    datagrams: 2000,
    // What an application that answers everybody makes of it is in the attack of that name.
    repliesToAll: false,
    *shots(vantage) {
      yield* requests(vantage);
    },
  },
  {
    name: "openings with every MTU, window and version",
    knows: "stranger",
    datagrams: 1500,
    *shots({ random }) {
      for (let index = 1; ; index++) {
        const token = anyToken(random);
        const edges = [20, 21, 64, 65_535, random.integer(20, 65_535)];
        const hello: Frame = {
          type: "hello",
          version: random.integer(1, 15),
          mtuBytes: edges[index % edges.length] ?? 20,
          window: random.integer(1, 255),
        };
        const head = { tokenTo: 0, tokenFrom: token, number: token >>> 16, ask: 1 as const };
        const frames = [hello, data(index % 14, token, "whole", bytesOf(9))];
        yield { from: strangerAddress(index % 200), datagram: forge(head, frames) };
      }
    },
  },
  {
    name: "openings with a wrong CRC, each from a new address",
    knows: "stranger",
    datagrams: 1500,
    *shots({ random }) {
      for (let index = 1; ; index++) {
        const token = anyToken(random);
        const datagram = opening(token, [data(0, token, "whole", bytesOf(9))]);
        const at = random.integer(13, datagram.length - 1);
        datagram[at] = (datagram[at] ?? 0) ^ random.integer(1, 255);
        yield { from: strangerAddress(index), datagram };
      }
    },
  },
  {
    name: "openings in the name of a good peer in an open session",
    knows: "stranger",
    datagrams: 1500,
    *shots({ random, goodPeer }) {
      for (;;) {
        const token = anyToken(random);
        const frames = [data(0, token, "whole", bytesOf(20)), data(14, token, "whole", bytesOf(9))];
        yield { from: goodPeer, datagram: opening(token, random.integer(0, 1) ? frames : []) };
      }
    },
  },
];

/** For an application that answers requests of everybody. */
export const ANSWERED_REQUESTS: Attack = {
  name: "requests of strangers, all of them answered",
  knows: "stranger",
  datagrams: 2000,
  *shots(vantage) {
    yield* requests(vantage);
  },
};

function* requests({ random }: Vantage): Generator<Shot> {
  for (let index = 1; ; index++) {
    const token = anyToken(random);
    const request = Uint8Array.of(1, index >>> 8, index, ...bytesOf(6, index % 50));
    const datagram = opening(token, [data(14, token, "whole", request)]);
    yield { from: strangerAddress(index), datagram };
  }
}

/** Each of them is answered by a NO-SESSION. */
export const QUESTIONS: Attack = {
  name: "questions to tokens that nobody has, each from a new address",
  knows: "stranger",
  datagrams: 1500,
  *shots({ random }) {
    for (let index = 1; ; index++) {
      const head = { tokenTo: anyToken(random), tokenFrom: anyToken(random), number: index };
      const frames = index % 3 === 0 ? [] : [data(0, index, "whole", bytesOf(index % 40))];
      yield { from: strangerAddress(index), datagram: forge(head, frames) };
    }
  },
};

/** Fragments of strangers, which only ever may send whole messages. */
export const LOOSE_OPENINGS: Attack = {
  name: "unacknowledged messages of strangers, whole and in fragments",
  knows: "stranger",
  datagrams: 1500,
  *shots({ random }) {
    for (let index = 1; ; index++) {
      const frames = [loose(index & 3, index & 0xffff, index % 127, bytesOf(100, index % 50))];
      yield { from: strangerAddress(index >> 3), datagram: opening(anyToken(random), frames) };
    }
  },
};
