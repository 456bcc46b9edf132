import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { DatagramInfo } from "../link.js";
import {
  addressOf,
  BROADCAST,
  type BrokenLink,
  changed,
  failuresOf,
  isBroadcast,
  receiveBy,
  type Simulate,
  sendBy,
  soon,
} from "./broken-link.js";
import { DELIVERY_CHECKS } from "./delivery.js";

const simulate: Simulate = (outstandingMax) => {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, outstandingMax });
  return { clock, attach: (address) => medium.attach({ address }) };
};

/** Each fails the check of that name, and no other. */
const BROKEN: BrokenLink[] = [
  [
    "a datagram of 1 byte arrives intact",
    "pads it",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, datagram.length < 2 ? Uint8Array.of(...datagram, 0) : datagram, done),
    ),
  ],
  [
    "a datagram of mtuBytes arrives intact",
    "loses the last byte",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, datagram.length === 250 ? datagram.slice(0, 249) : datagram, done),
    ),
  ],
  [
    "every byte value passes",
    "takes 0x11 for flow control",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(
        to,
        datagram.filter((byte) => byte !== 0x11),
        done,
      ),
    ),
  ],
  [
    "a datagram inside a larger buffer arrives intact",
    "starts at the buffer's first byte",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, new Uint8Array(datagram.buffer, 0, datagram.length), done),
    ),
  ],
  [
    "the address of the sender is told",
    "has a form of its own for it",
    (parts) => ({
      ...receiveBy((handlers, from, datagram, info) =>
        handlers.onDatagram(
          from.map((byte) => byte ^ 0xff),
          datagram,
          info,
        ),
      )(parts),
      send: (to, datagram, done) =>
        parts.inner.send(to[0] === 0xfd ? to.map((byte) => byte ^ 0xff) : to, datagram, done),
    }),
  ],
  [
    "the address of the sender can be answered",
    "knows no way back at first",
    (parts) => {
      const { inner, clock } = parts;
      let isInside = false;
      return {
        ...receiveBy((handlers, from, datagram, info) => {
          isInside = true;
          handlers.onDatagram(from, datagram, info);
          isInside = false;
        })(parts),
        send: (to, datagram, done) => {
          const isLost = to[5] === 1 && !isInside && clock.nowUs() < 1_000_000;
          inner.send(isLost ? addressOf(99) : to, datagram, done);
        },
      };
    },
  ],
  [
    "what is known of a datagram is plausible",
    "forgets the sign",
    receiveBy((handlers, from, datagram) => handlers.onDatagram(from, datagram, { rssiDbm: 71 })),
  ],
  [
    "what is known of a datagram is plausible",
    "leaves the info out",
    receiveBy((handlers, from, datagram) =>
      handlers.onDatagram(from, datagram, undefined as unknown as DatagramInfo),
    ),
  ],
  [
    "onDatagram is never called from inside send",
    "hands over on the spot",
    (parts) => {
      let outstanding = 0;
      const { inner, open } = parts;
      const self = inner.localAddress;
      return {
        send: (to, datagram, done) => {
          const isTaken = open.has(String(self)) && outstanding < 4 && datagram.length <= 250;
          outstanding++;
          inner.send(addressOf(99), datagram, (outcome) => {
            outstanding--;
            done(outcome);
          });
          if (!isTaken) return;
          for (const [address, handlers] of [...open]) {
            const isFor = address === String(to) || (isBroadcast(to) && address !== String(self));
            if (isFor) handlers.onDatagram(self, datagram, {});
          }
        },
      };
    },
  ],
  [
    "send may be called from inside onDatagram",
    "has one buffer for both ways",
    (parts) => {
      const buffer = new Uint8Array(250);
      return {
        ...receiveBy((handlers, from, datagram, info) => {
          buffer.set(datagram);
          handlers.onDatagram(from, buffer.subarray(0, datagram.length), info);
        })(parts),
        send: (to, datagram, done) => {
          buffer.set(datagram.subarray(0, 250));
          parts.inner.send(to, datagram.slice(), done);
        },
      };
    },
  ],
  [
    "the owner's bytes are not needed after done",
    "says sent and reads them later",
    ({ inner, clock, open }) => ({
      send: (to, datagram, done) => {
        const self = inner.localAddress;
        const isFor = (address: string) =>
          address === String(to) || (isBroadcast(to) && address !== String(self));
        inner.send(addressOf(99), datagram, (outcome) => {
          if (outcome === "sent") {
            const keys = [...open.keys()].filter(isFor);
            soon(clock, () => {
              for (const key of keys) open.get(key)?.onDatagram(self, datagram, {});
            });
          }
          done(outcome);
        });
      },
    }),
  ],
  [
    "many datagrams arrive in order",
    "drops one of 500",
    (parts) => {
      let count = 0;
      return receiveBy((handlers, from, datagram, info) => {
        if (++count % 500 !== 0) handlers.onDatagram(from, datagram, info);
      })(parts);
    },
  ],
  [
    "many datagrams arrive in order",
    "repeats one of 500",
    (parts) => {
      let count = 0;
      return receiveBy((handlers, from, datagram, info) => {
        handlers.onDatagram(from, datagram, info);
        if (++count % 500 === 0) handlers.onDatagram(from, datagram, info);
      })(parts);
    },
  ],
  [
    "a datagram to one address reaches no other",
    "broadcasts everything",
    sendBy(({ inner }, _to, datagram, done) => inner.send(BROADCAST, datagram, done)),
  ],
  [
    "a broadcast reaches all others",
    "sends to the first",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(isBroadcast(to) ? addressOf(2) : to, datagram, done),
    ),
  ],
  [
    "a broadcast ends as sent",
    "says acknowledged",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, datagram, (outcome) =>
        done(outcome === "sent" && isBroadcast(to) ? "acknowledged" : outcome),
      ),
    ),
  ],
  [
    "a broadcast does not come back to its sender",
    "hears itself",
    ({ inner, open }) => ({
      send: (to, datagram, done) =>
        inner.send(to, datagram, (outcome) => {
          const self = inner.localAddress;
          if (isBroadcast(to)) open.get(String(self))?.onDatagram(self, datagram, {});
          done(outcome);
        }),
    }),
  ],
];

describe("the conformance checks of delivery", () => {
  it.each(BROKEN)('find, at "%s", a link that %s', async (name, _how, change) => {
    const failures = await failuresOf(changed(simulate, change));
    expect(failures.map((failure) => failure.name)).toEqual([name]);
    // A finding and an advice: at least two sentences.
    expect(failures[0]?.reason).toMatch(/[.:!] .+\.$/);
  });

  it.each(Object.keys(DELIVERY_CHECKS))('have a broken link for "%s"', (name) => {
    expect(BROKEN.map(([check]) => check)).toContain(name);
  });
});
