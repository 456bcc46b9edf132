import type { Attack } from "../attack.js";
import { forge, skip, stop, strangerAddress } from "../forge.js";
import { HostilePeer } from "../hostile-peer.js";

const CHANNELS = 16;
const SKIP_MAX = 256;

/** SKIP, STOP, CLOSE and NO-SESSION that mean no good (sections 3.4, 3.6, 4.4 and 5.4). */
export const CONTROL: readonly Attack[] = [
  {
    name: "SKIP as far as it is believed, and farther",
    knows: "peer",
    datagrams: 800,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let next = 0; ; next += SKIP_MAX)
        yield peer.say([
          skip(0, peer.token + next),
          skip(6, peer.token + next + SKIP_MAX + 1),
          skip(10, peer.token + 0x8000 + next),
          skip(14, peer.token - 1),
        ]);
    },
  },
  {
    name: "STOP for every message, before and while it is sent",
    knows: "peer",
    datagrams: 800,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let step = 0; ; step++) {
        if (step % 20 === 0) vantage.lure(peer.address, 5000);
        const first = peer.victimToken + (step % 64);
        yield peer.say([
          stop(step % CHANNELS, step * 7, 1 + (step % 5)),
          stop(1, first, 1 + (step % 5)),
        ]);
      }
    },
  },
  {
    name: "open, CLOSE, open again, always with other tokens",
    knows: "peer",
    datagrams: 800,
    *shots(vantage) {
      for (let step = 0; ; step++) {
        const peer = new HostilePeer(vantage, strangerAddress(1 + (step % 3)));
        yield* peer.meet();
        yield peer.say([{ type: "close", reason: step % 4 }]);
      }
    },
  },
];

/** Nothing but SKIP, three bytes each, as far as each is believed. */
export const LONG_SKIPS: Attack = {
  name: "datagrams full of SKIP, each as far as it is believed",
  knows: "peer",
  datagrams: 800,
  *shots(vantage) {
    const peer = new HostilePeer(vantage, strangerAddress(1));
    yield* peer.meet();
    for (let next = peer.token; ; ) {
      const frames = Array.from({ length: 80 }, () => {
        next += SKIP_MAX;
        return skip(1, next);
      });
      yield peer.say(frames);
    }
  },
};

/** Ends of sessions that nobody has; a third of these datagrams earns a NO-SESSION. */
export const FAREWELLS: Attack = {
  name: "CLOSE and NO-SESSION out of nowhere, also in the name of a good peer",
  knows: "stranger",
  datagrams: 1500,
  *shots({ random, goodPeer }) {
    for (let step = 0; ; step++) {
      const from = step % 2 ? goodPeer : strangerAddress(step);
      const tokenTo = random.integer(1, 0xffff_ffff);
      const tokenFrom = random.integer(1, 0xffff_ffff);
      const number = random.uint32();
      yield {
        from,
        datagram: forge({ tokenTo, tokenFrom: 0, number }, [{ type: "no-session" }]),
      };
      yield {
        from,
        datagram: forge({ tokenTo, tokenFrom, number }, [{ type: "close", reason: 0 }]),
      };
      const short = { tokenTo, tokenFrom, number, short: true };
      yield { from, datagram: forge(short, [{ type: "close", reason: 0 }]) };
    }
  },
};
