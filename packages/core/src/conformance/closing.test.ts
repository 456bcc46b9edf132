import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { LinkHandlers } from "../link.js";
import {
  type BrokenLink,
  changed,
  failuresOf,
  type Simulate,
  soon,
  withPhase,
} from "./broken-link.js";
import { CLOSING_CHECKS } from "./closing.js";

const simulate: Simulate = (outstandingMax) => {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, outstandingMax });
  return { clock, attach: (address) => medium.attach({ address }) };
};

/** Each fails the check of that name, and no other. */
const BROKEN: BrokenLink[] = [
  [
    "send before open ends as gone",
    "drops it and says sent",
    withPhase(({ inner, clock }, phase, to, datagram, done) =>
      phase() === "new" ? soon(clock, () => done("sent")) : inner.send(to, datagram, done),
    ),
  ],
  [
    "nothing leaves before open",
    "keeps it for later",
    (parts) => {
      let kept: (() => void) | undefined;
      return {
        open: async (handlers) => {
          await parts.inner.open(handlers);
          kept?.();
        },
        send: (to, datagram, done) => {
          if (!parts.open.has(String(parts.inner.localAddress))) {
            kept ??= () => parts.inner.send(to, datagram, () => {});
          }
          parts.inner.send(to, datagram, done);
        },
      };
    },
  ],
  [
    "close ends outstanding sends as gone",
    "forgets them",
    withPhase(({ inner }, phase, to, datagram, done) => {
      const wasOpen = phase() === "open";
      inner.send(to, datagram, (outcome) => {
        const isCut = outcome === "gone" && wasOpen && phase() === "closed";
        if (!isCut) done(outcome);
      });
    }),
  ],
  [
    "close ends outstanding sends as gone",
    "says that they were sent",
    withPhase(({ inner }, phase, to, datagram, done) => {
      const wasOpen = phase() === "open";
      inner.send(to, datagram, (outcome) => {
        const isCut = outcome === "gone" && wasOpen && phase() === "closed";
        done(isCut ? "sent" : outcome);
      });
    }),
  ],
  [
    "send after close ends as gone",
    "refuses it",
    withPhase(({ inner, clock }, phase, to, datagram, done) =>
      phase() === "closed" ? soon(clock, () => done("refused")) : inner.send(to, datagram, done),
    ),
  ],
  [
    "close may be called twice",
    "throws the second time",
    ({ inner }) => {
      let isClosed = false;
      return {
        close: () => {
          if (isClosed) throw new Error("not open");
          isClosed = true;
          return inner.close();
        },
      };
    },
  ],
  [
    "no handler is called after close",
    "says that it is down",
    ({ inner, clock }) => {
      let onStatus: LinkHandlers["onStatus"];
      return {
        open: (handlers) => {
          onStatus = handlers.onStatus;
          return inner.open(handlers);
        },
        close: () => {
          soon(clock, () => onStatus?.("down"));
          return inner.close();
        },
      };
    },
  ],
  [
    "a link that is down says so, and comes back",
    "keeps it to itself",
    ({ inner }) => ({ open: ({ onDatagram }) => inner.open({ onDatagram }) }),
  ],
];

describe("the conformance checks of closing", () => {
  it.each(BROKEN)('find, at "%s", a link that %s', async (name, _how, change) => {
    const failures = await failuresOf(changed(simulate, change));
    expect(failures.map((failure) => failure.name)).toEqual([name]);
    // A finding and an advice: at least two sentences.
    expect(failures[0]?.reason).toMatch(/[.:!] .+\.$/);
  });

  it.each(Object.keys(CLOSING_CHECKS))('have a broken link for "%s"', (name) => {
    expect(BROKEN.map(([check]) => check)).toContain(name);
  });
});
