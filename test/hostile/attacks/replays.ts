import type { Attack, Shot, Vantage } from "../attack.js";
import { strangerAddress } from "../forge.js";

/** Nothing has been heard yet: look again later. */
function waiting(vantage: Vantage): Shot {
  return { from: vantage.goodPeer, datagram: Uint8Array.of(0), pauseUs: 50_000 };
}

/** Copies of true datagrams (sections 2.3 and 4.5). */
export const REPLAYS: readonly Attack[] = [
  {
    name: "every datagram of the good peer once more, in order",
    knows: "eavesdropper",
    datagrams: 1000,
    *shots(vantage) {
      for (let at = 0; ; at++) {
        const heard = vantage.overheard.tape[at];
        if (!heard) at--;
        if (heard?.from === "victim") continue;
        yield heard ? { from: vantage.goodPeer, datagram: heard.datagram } : waiting(vantage);
      }
    },
  },
  {
    name: "one datagram of the good peer a thousand times, then another",
    knows: "eavesdropper",
    datagrams: 2000,
    *shots(vantage) {
      for (;;) {
        const heard = vantage.overheard.newest("good");
        if (!heard) yield waiting(vantage);
        else
          for (let copy = 0; copy < 1000; copy++)
            yield { from: vantage.goodPeer, datagram: heard.datagram };
      }
    },
  },
  {
    name: "datagrams of the good peer, from other addresses",
    knows: "eavesdropper",
    datagrams: 1500,
    *shots(vantage) {
      for (let step = 0; ; step++) {
        const { tape } = vantage.overheard;
        const heard = tape[vantage.random.integer(0, Math.max(0, tape.length - 1))];
        if (!heard) yield waiting(vantage);
        else yield { from: strangerAddress(step % 300), datagram: heard.datagram };
      }
    },
  },
  {
    name: "datagrams of the good peer with a byte changed, ahead of the true ones",
    knows: "eavesdropper",
    datagrams: 1500,
    *shots({ overheard, goodPeer, random }) {
      for (;;) {
        const datagram = overheard.newest("good")?.datagram.slice() ?? Uint8Array.of(0);
        // Another number, so that it is no duplicate, and the CRC as it was.
        const at = random.integer(0, 1) ? 2 : random.integer(0, datagram.length - 1);
        datagram[at] = (datagram[at] ?? 0) ^ random.integer(1, 255);
        yield { from: goodPeer, datagram, pauseUs: 2000 };
      }
    },
  },
  {
    name: "what the victim said, sent back to it",
    knows: "eavesdropper",
    datagrams: 1000,
    *shots(vantage) {
      for (let step = 0; ; step++) {
        const heard = vantage.overheard.newest("victim");
        if (!heard) yield waiting(vantage);
        else {
          const from = step % 2 ? vantage.goodPeer : strangerAddress(step);
          yield { from, datagram: heard.datagram };
        }
      }
    },
  },
];
