import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { SendOutcome } from "../link.js";
import {
  type BrokenLink,
  changed,
  failuresOf,
  isBroadcast,
  isKnown,
  type Simulate,
  sendBy,
  soon,
  withPhase,
} from "./broken-link.js";
import { SENDING_CHECKS } from "./sending.js";

const simulate: Simulate = (outstandingMax) => {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, outstandingMax });
  return { clock, attach: (address) => medium.attach({ address }) };
};

/** Each fails the check of that name, and no other. */
const BROKEN: BrokenLink[] = [
  [
    "done is never called from inside send",
    "refuses at once",
    withPhase(({ inner }, phase, to, datagram, done) =>
      phase() === "closed" ? done("gone") : inner.send(to, datagram, done),
    ),
  ],
  [
    "done is called exactly once",
    "says sent twice",
    sendBy(({ inner, clock }, to, datagram, done) =>
      inner.send(to, datagram, (outcome) => {
        done(outcome);
        if (outcome === "sent") soon(clock, () => done(outcome));
      }),
    ),
  ],
  [
    "done is called once for what close interrupts",
    "says gone and then sent",
    withPhase(({ inner, clock }, phase, to, datagram, done) => {
      const wasOpen = phase() === "open";
      inner.send(to, datagram, (outcome) => {
        done(outcome);
        if (outcome === "gone" && wasOpen) soon(clock, () => done("sent"), 500);
      });
    }),
  ],
  [
    "done gives one of the five outcomes",
    "has a word of its own for what nobody hears",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, datagram, (outcome) =>
        done(outcome === "sent" && !isKnown(to) ? ("unheard" as SendOutcome) : outcome),
      ),
    ),
  ],
  [
    "a datagram that arrives was sent or acknowledged",
    "never saw an acknowledgement",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, datagram, (outcome) =>
        done(outcome === "sent" && !isBroadcast(to) ? "not-acknowledged" : outcome),
      ),
    ),
  ],
  [
    "outcomes come in the order of handing over",
    "reports a batch backwards",
    (parts) => {
      let batch: (() => void)[] = [];
      let outstanding = 0;
      return sendBy(({ inner }, to, datagram, done) => {
        outstanding++;
        inner.send(to, datagram, (outcome) => {
          outstanding--;
          if (outcome === "refused") {
            done(outcome);
            return;
          }
          batch.unshift(() => done(outcome));
          if (outstanding > 0) return;
          const all = batch;
          batch = [];
          for (const report of all) report();
        });
      })(parts);
    },
  ],
  [
    "outstandingMax datagrams are taken at once",
    "promises twice what it has",
    () => ({ outstandingMax: 8 }),
  ],
  ["more than outstandingMax is refused", "takes more than it says", () => ({ outstandingMax: 3 })],
  [
    "what is refused does not leave",
    "keeps what it refused",
    sendBy(({ inner, clock }, to, datagram, done) =>
      inner.send(to, datagram, (outcome) => {
        done(outcome);
        const again = datagram.slice(0, 200);
        if (outcome !== "refused" || datagram.length > 200) return;
        soon(clock, () => inner.send(to, again, () => {}), 20_000);
      }),
    ),
  ],
  [
    "a place is free again when done is called",
    "counts down after done",
    (parts) => {
      let outstanding = 0;
      return sendBy(({ inner, clock }, to, datagram, done) => {
        if (outstanding >= 4) {
          soon(clock, () => done("refused"));
          return;
        }
        outstanding++;
        inner.send(to, datagram, (outcome) => {
          done(outcome);
          outstanding--;
        });
      })(parts);
    },
  ],
  [
    "a datagram longer than mtuBytes is refused",
    "cuts it short",
    sendBy(({ inner }, to, datagram, done) => inner.send(to, datagram.slice(0, 250), done)),
  ],
  [
    "a datagram longer than mtuBytes is refused",
    "refuses it and sends some of it",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, datagram.slice(0, 250), (outcome) =>
        done(datagram.length > 250 && outcome === "sent" ? "refused" : outcome),
      ),
    ),
  ],
  [
    "a datagram to nobody gets its outcome",
    "waits for an answer for ever",
    sendBy(({ inner }, to, datagram, done) =>
      inner.send(to, datagram, (outcome) => {
        if (isKnown(to) || outcome !== "sent") done(outcome);
      }),
    ),
  ],
  [
    "the owner's bytes are left as they are",
    "wipes them",
    sendBy(({ inner }, to, datagram, done) => {
      inner.send(to, datagram.slice(), done);
      datagram.fill(0);
    }),
  ],
];

describe("the conformance checks of sending", () => {
  it.each(BROKEN)('find, at "%s", a link that %s', async (name, _how, change) => {
    const failures = await failuresOf(changed(simulate, change));
    expect(failures.map((failure) => failure.name)).toEqual([name]);
    // A finding and an advice: at least two sentences.
    expect(failures[0]?.reason).toMatch(/[.:!] .+\.$/);
  });

  it.each(Object.keys(SENDING_CHECKS))('have a broken link for "%s"', (name) => {
    expect(BROKEN.map(([check]) => check)).toContain(name);
  });
});
