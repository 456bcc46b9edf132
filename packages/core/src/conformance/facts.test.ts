import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import {
  addressOf,
  type BrokenLink,
  changed,
  failuresOf,
  receiveBy,
  type Simulate,
  soon,
} from "./broken-link.js";
import { FACTS_CHECKS } from "./facts.js";

const simulate: Simulate = (outstandingMax) => {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, outstandingMax });
  return { clock, attach: (address) => medium.attach({ address }) };
};

/** Each fails the check of that name, and no other. */
const BROKEN: BrokenLink[] = [
  [
    "mtuBytes is a whole number from 20 to 65535",
    "is one too small",
    ({ inner, clock }) => ({
      mtuBytes: 19,
      send: (to, datagram, done) =>
        datagram.length > 19 ? soon(clock, () => done("refused")) : inner.send(to, datagram, done),
    }),
  ],
  [
    "mtuBytes stays the same while the link is open",
    "shrinks when something arrives",
    (parts) => {
      let mtuBytes = parts.inner.mtuBytes;
      return {
        get mtuBytes() {
          return mtuBytes;
        },
        ...receiveBy((handlers, from, datagram, info) => {
          mtuBytes = 240;
          handlers.onDatagram(from, datagram, info);
        })(parts),
      };
    },
  ],
  [
    "outstandingMax is a whole number of at least 1",
    "is not whole",
    () => ({ outstandingMax: 4.5 }),
  ],
  [
    "addresses are Uint8Arrays, one for each station",
    "are all the same",
    () => ({ localAddress: addressOf(9) }),
  ],
  [
    "airtimeUs grows with the datagram, if there is one",
    "falls",
    () => ({ airtimeUs: (bytes) => 1000 - bytes }),
  ],
];

describe("the conformance checks of facts", () => {
  it.each(BROKEN)('find, at "%s", a link that %s', async (name, _how, change) => {
    const failures = await failuresOf(changed(simulate, change));
    expect(failures.map((failure) => failure.name)).toEqual([name]);
    // A finding and an advice: at least two sentences.
    expect(failures[0]?.reason).toMatch(/[.:!] .+\.$/);
  });

  it.each(Object.keys(FACTS_CHECKS))('have a broken link for "%s"', (name) => {
    expect(BROKEN.map(([check]) => check)).toContain(name);
  });
});
