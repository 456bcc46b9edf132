import { ByteWriter, encodeFrame } from "../../../packages/core/src/wire/index.js";
import type { Attack } from "../attack.js";
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

/** Around 0, around half the space and around its end, of 16 and of 32 bits. */
const EDGES_16 = [0, 1, 2, 0x7ffe, 0x7fff, 0x8000, 0x8001, 0xfffe, 0xffff];
const EDGES_32 = [
  0, 1, 0xffff, 0x1_0000, 0x7fff_ffff, 0x8000_0000, 0xffff_fff0, 0xffff_fffe, 0xffff_ffff,
];

/** Lengths as varints in every form, the longest among them, and some that no 53 bits hold. */
const VARINTS = [
  [0x00],
  [0x3f],
  [0x40, 0x05],
  [0x80, 0, 0, 5],
  [0xbf, 0xff, 0xff, 0xff],
  [0xc0, 0, 0, 0, 0, 0, 0, 5],
  [0xc0, 0x1f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
  [0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
];

/** Numbers and lengths at the edge of what they can be (sections 1 to 3). */
export const EDGES: readonly Attack[] = [
  {
    name: "fragment numbers at their edges, by a peer",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      const { random } = vantage;
      const any = () => EDGES_16[random.integer(0, EDGES_16.length - 1)] ?? 0;
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      const places = ["whole", "first", "middle", "last"] as const;
      for (let step = 0; ; step++) {
        const place = places[step % places.length] ?? "whole";
        yield peer.say([
          data(step % 16, peer.token + any(), place, bytesOf(7), { total: 30 }),
          skip((step >> 2) % 16, peer.token + any()),
          ack(step % 16, any(), any(), { window: 255, map: new Uint8Array(step % 33).fill(255) }),
          stop((step >> 1) % 16, peer.victimToken + any(), any() & 0xff),
          loose(step % 4, any(), step % 127, bytesOf(3)),
        ]);
      }
    },
  },
  {
    name: "datagram numbers that jump through the whole space, by a peer",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      for (let index = 1; ; index++) {
        const peer = new HostilePeer(vantage, strangerAddress(1 + (index % 5)));
        yield* peer.meet();
        for (const jump of [255, 256, 257, 1023, 1024, 1025, 0x7fff, 0x8000, 0xffff, 0x1_0000]) {
          peer.number = (peer.number + jump) >>> 0;
          yield peer.say([data(0, peer.token, "whole", bytesOf(5))], { short: jump % 2 === 0 });
        }
        for (const number of EDGES_32) yield peer.say([], { number, short: false, ask: 1 });
        yield peer.say([data(0, peer.token + 1, "whole", bytesOf(5))], { number: 3, ask: 1 });
      }
    },
  },
  {
    name: "datagrams of every length from none to one more than the MTU",
    knows: "stranger",
    datagrams: 1530,
    *shots({ random, mtuBytes, goodPeer }) {
      for (let step = 0; ; step++) {
        const length = step % (mtuBytes + 2);
        const from = step % 2 ? strangerAddress(step % 60) : goodPeer;
        const datagram = bytesOf(length, step);
        const kind = Math.floor(step / (mtuBytes + 2)) % 3;
        if (length > 0 && kind > 0) datagram[0] = kind === 1 ? 0x41 : 0x51;
        yield { from, datagram };
        if (length < 15) continue;
        const head = { tokenTo: 0, tokenFrom: random.integer(1, 0xffff_ffff), number: step };
        yield { from, datagram: forgeBody(head, new Uint8Array(length - 15)) };
      }
    },
  },
  {
    name: "lengths and totals in varints of every form, by a peer",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      const { random } = vantage;
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let step = 0; ; step++) {
        const first = (VARINTS[step % VARINTS.length] ?? []).concat(
          VARINTS[random.integer(0, VARINTS.length - 1)] ?? [],
        );
        const type = 0x80 | (random.integer(0, 7) << 4) | random.integer(0, 15);
        const fragment = peer.token + (step % 70);
        const body = [type, (fragment >>> 8) & 0xff, fragment & 0xff, ...first, 1, 2, 3, 4, 5];
        yield rawShot(peer, body);
        yield rawShot(peer, [0x60 | random.integer(0, 15), ...first, 0x80, 1, 2, 3, 4, 5]);
      }
    },
  },
  {
    name: "as many frames as fit in a datagram, by a peer",
    knows: "peer",
    datagrams: 1000,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      const frames = [
        skip(1, peer.token),
        stop(1, 5, 1),
        ack(1, 0, 0),
        data(2, 0, "whole", bytesOf(0)),
        HELLO,
      ];
      for (let step = 0; ; step++) {
        const frame = frames[step % frames.length] ?? HELLO;
        const one = new ByteWriter(new Uint8Array(64));
        encodeFrame(one, frame, false);
        const body = Array.from({ length: Math.floor(240 / one.at) }, () => [
          ...one.bytes.subarray(0, one.at),
        ]).flat();
        yield rawShot(peer, step % 7 === 0 ? new Array(240).fill(0) : body);
      }
    },
  },
];

function rawShot(peer: HostilePeer, body: readonly number[]) {
  const head = {
    tokenTo: peer.victimToken,
    tokenFrom: peer.token,
    number: peer.number++,
    short: true,
  };
  return { from: peer.address, datagram: forgeBody(head, Uint8Array.from(body)) };
}

/** Most of them name a token that nobody has. */
export const HEAD_EDGES: Attack = {
  name: "tokens and datagram numbers at their edges",
  knows: "stranger",
  datagrams: 1500,
  *shots({ random, goodPeer }) {
    const any = () => EDGES_32[random.integer(0, EDGES_32.length - 1)] ?? 0;
    for (let step = 0; ; step++) {
      const head = { tokenTo: any(), tokenFrom: any(), number: any(), short: step % 3 === 0 };
      const from = step % 4 ? strangerAddress(step % 50) : goodPeer;
      yield { from, datagram: forge(head, [HELLO, data(0, step, "whole", bytesOf(5))]) };
    }
  },
};
