import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import {
  type ConformanceFactory,
  type ConformanceSetup,
  LinkConformanceError,
  linkConformance,
  linkConformanceChecks,
} from "./conformance.js";
import type { Address, DatagramInfo, Link, LinkHandlers, SendOutcome } from "./link.js";

type Done = (outcome: SendOutcome) => void;

/** What a broken adapter gets to break. */
interface Parts {
  readonly inner: Link;
  readonly clock: VirtualClock;
  /** Handlers of all stations that are open, by the text of their address. */
  readonly open: Map<string, LinkHandlers>;
}

/** A link with some of its members replaced. */
type Change = (parts: Parts) => Partial<Link>;

const BROADCAST = new Uint8Array(6).fill(0xff);
const addressOf = (last: number) => Uint8Array.of(2, 0, 0, 0, 0, last);

/** Three stations on one lossless medium, each of them changed in the same way. */
function changed(change: Change, outstandingMax = 4): ConformanceFactory {
  return (): ConformanceSetup => {
    const clock = new VirtualClock();
    const medium = new Medium({ ...presets.reference(), clock, outstandingMax });
    const open = new Map<string, LinkHandlers>();
    const stations = [1, 2, 3].map((last) => medium.attach({ address: addressOf(last) }));
    const [a, b, c] = stations.map((inner) => {
      const link: Link = {
        mtuBytes: inner.mtuBytes,
        outstandingMax,
        localAddress: inner.localAddress,
        broadcastAddress: BROADCAST,
        airtimeUs: (bytes) => inner.airtimeUs(bytes),
        open: (handlers) => {
          open.set(String(inner.localAddress), handlers);
          inner.open(handlers);
        },
        send: (to, datagram, done) => inner.send(to, datagram, done),
        close: () => {
          open.delete(String(inner.localAddress));
          inner.close();
        },
      };
      const changes = change({ inner: { ...link }, clock, open });
      return Object.defineProperties(link, Object.getOwnPropertyDescriptors(changes));
    }) as [Link, Link, Link];
    const advance = (us: number) => clock.run({ untilUs: clock.nowUs() + us });
    return {
      a,
      b,
      c,
      addressA: addressOf(1),
      addressB: addressOf(2),
      addressC: addressOf(3),
      advance,
      takeDownA: () => stations[0]?.restartRadio(1_000_000),
      bringUpA: () => advance(1_000_000),
    };
  };
}

const sendBy =
  (send: (parts: Parts, to: Address, datagram: Uint8Array, done: Done) => void): Change =>
  (parts) => ({ send: (to, datagram, done) => send(parts, to, datagram, done) });

const receiveBy =
  (
    receive: (
      handlers: LinkHandlers,
      from: Address,
      datagram: Uint8Array,
      info: DatagramInfo,
      parts: Parts,
    ) => void,
  ): Change =>
  (parts) => ({
    open: (handlers) =>
      parts.inner.open({
        ...handlers,
        onDatagram: (...args) => receive(handlers, ...args, parts),
      }),
  });

const soon = (clock: VirtualClock, run: () => void, afterUs = 0) =>
  clock.setTimer(clock.nowUs() + afterUs, run);
const isKnown = (to: Address) => (to[5] as number) <= 3 || isBroadcast(to);
const isBroadcast = (to: Address) => to.every((byte) => byte === 0xff);

/** Knows whether its owner has opened and closed it. */
const withPhase =
  (
    send: (
      parts: Parts,
      phase: () => string,
      to: Address,
      datagram: Uint8Array,
      done: Done,
    ) => void,
  ): Change =>
  (parts) => {
    let phase = "new";
    return {
      open: (handlers) => {
        phase = "open";
        return parts.inner.open(handlers);
      },
      close: () => {
        phase = "closed";
        return parts.inner.close();
      },
      send: (to, datagram, done) => send(parts, () => phase, to, datagram, done),
    };
  };

/** Each fails the check of that name, and no other. */
const BROKEN: [check: string, how: string, change: Change, outstandingMax?: number][] = [
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
      const self = inner.localAddress as Address;
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
        const self = inner.localAddress as Address;
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
          const self = inner.localAddress as Address;
          if (isBroadcast(to)) open.get(String(self))?.onDatagram(self, datagram, {});
          done(outcome);
        }),
    }),
  ],
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

/** Whatever happens, as results. */
async function resultsOf(factory: ConformanceFactory) {
  try {
    return await linkConformance(factory);
  } catch (error) {
    if (error instanceof LinkConformanceError) return error.results;
    throw error;
  }
}

describe("the link conformance suite", () => {
  for (const check of linkConformanceChecks(changed(() => ({})))) {
    it(`passes the lossy link: ${check.name}`, check.run);
  }

  it("passes the lossy link in one call, with nothing left out", async () => {
    const results = await linkConformance(changed(() => ({})));
    expect(results.filter(({ outcome }) => outcome !== "passed")).toEqual([]);
    expect(new Set(results.map(({ name }) => name)).size).toBe(results.length);
  });

  it.each(Object.keys(presets) as (keyof typeof presets)[])(
    "passes the lossy link with the preset %s and its two stations",
    async (name) => {
      const results = await linkConformance(() => {
        const clock = new VirtualClock();
        const medium = new Medium({ ...presets[name](), clock });
        const a = medium.attach({ address: addressOf(1) });
        const b = medium.attach({ address: addressOf(2) });
        return { a, b, advance: (us) => clock.run({ untilUs: clock.nowUs() + us }) };
      });
      const skipped = results.filter(({ outcome }) => outcome === "not-applicable");
      expect(skipped.map(({ reason }) => reason)).toContain(
        "The setup has no takeDownA and bringUpA.",
      );
    },
  );

  it.each(BROKEN)('finds, at "%s", a link that %s', async (name, _how, change, outstandingMax) => {
    const results = await resultsOf(changed(change, outstandingMax));
    const failed = results.filter(({ outcome }) => outcome === "failed");
    expect(failed.map((result) => result.name)).toEqual([name]);
    // A finding and an advice: at least two sentences.
    expect(failed[0]?.reason).toMatch(/[.:!] .+\.$/);
  });

  it("is broken once for each check", async () => {
    const results = await linkConformance(changed(() => ({})));
    const broken = new Set(BROKEN.map(([name]) => name));
    expect(results.map(({ name }) => name).filter((name) => !broken.has(name))).toEqual([]);
  });

  it("allows what the contract allows", async () => {
    const results = await resultsOf(
      changed((parts) => ({
        outstandingMax: 4,
        airtimeUs: undefined as unknown as (bytes: number) => number,
        localAddress: undefined as unknown as Address,
        // Arrays that are used again for something else as soon as the call is over.
        ...receiveBy((handlers, from, datagram, info) => {
          const [view, sender] = [datagram.slice(), from.slice()];
          handlers.onDatagram(sender, view, { ...info, rssiDbm: -71, radioChannel: 6 });
          view.fill(0);
          sender.fill(0);
        })(parts),
        send: (to, datagram, done) =>
          parts.inner.send(to, datagram, (outcome) =>
            done(outcome === "sent" && isKnown(to) && !isBroadcast(to) ? "acknowledged" : outcome),
          ),
        close: async () => {
          await parts.inner.close();
          await parts.clock.delay(1000);
        },
      })),
    );
    expect(results.filter(({ outcome }) => outcome === "failed")).toEqual([]);
  });

  it.each<[string, Change, RegExp]>([
    ["never opens", () => ({ open: () => new Promise<void>(() => {}) }), /open never settled/],
    [
      "cannot be opened",
      () => ({ open: () => Promise.reject(new Error("The port is taken.")) }),
      /The port is taken\./,
    ],
    [
      "throws in send",
      sendBy(() => {
        throw new Error("queue full");
      }),
      /threw "queue full"\. Report what goes wrong while sending through done/,
    ],
    ["never calls done", sendBy(() => {}), /done was not called/],
    ["never closes", () => ({ close: () => new Promise<void>(() => {}) }), /close never settled/],
  ])("ends, and says why, with a link that %s", async (_how, change, reason) => {
    const error = await linkConformance(changed(change)).catch((thrown: unknown) => thrown);
    expect(error).toBeInstanceOf(LinkConformanceError);
    expect((error as Error).message).toMatch(reason);
  });

  it("names the check in the error of a single one", async () => {
    const [first] = linkConformanceChecks(changed(() => ({ mtuBytes: 19 })));
    await expect(first?.run()).rejects.toMatchObject({
      code: "link-check-failed",
      check: "mtuBytes is a whole number from 20 to 65535",
    });
  });

  it("tears the setup down after each check, also after one that failed", async () => {
    let made = 0;
    let tornDown = 0;
    const factory = changed(() => ({ mtuBytes: 19 }));
    const results = await resultsOf(async () => {
      made++;
      return { ...(await factory()), tearDown: () => tornDown++ };
    });
    expect([made, tornDown]).toEqual([results.length, results.length]);
  });

  it.each([{ patienceUs: 0 }, { quietUs: 1.5 }, { datagrams: 1 }])(
    "refuses options out of range: %o",
    async (options) => {
      await expect(
        linkConformance(
          changed(() => ({})),
          options,
        ),
      ).rejects.toMatchObject({ code: "invalid-option" });
    },
  );
});
