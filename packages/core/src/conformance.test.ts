import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import {
  addressOf,
  type Change,
  changed,
  failuresOf,
  isBroadcast,
  isKnown,
  receiveBy,
  resultsOf,
  type Simulate,
  sendBy,
} from "./conformance/broken-link.js";
import { LinkConformanceError, linkConformance, linkConformanceChecks } from "./conformance.js";
import type { Address } from "./link.js";

const simulate: Simulate = (outstandingMax) => {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, outstandingMax });
  return { clock, attach: (address) => medium.attach({ address }) };
};

const sound = changed(simulate, () => ({}));

describe("the link conformance suite", () => {
  for (const check of linkConformanceChecks(sound)) {
    it(`passes the lossy link: ${check.name}`, check.run);
  }

  it("passes the lossy link in one call, with nothing left out", async () => {
    const results = await linkConformance(sound);
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

  it("allows what the contract allows", async () => {
    const failures = await failuresOf(
      changed(simulate, (parts) => ({
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
    expect(failures).toEqual([]);
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
    const error = await linkConformance(changed(simulate, change)).catch(
      (thrown: unknown) => thrown,
    );
    expect(error).toBeInstanceOf(LinkConformanceError);
    expect((error as Error).message).toMatch(reason);
  });

  it("names the check in the error of a single one", async () => {
    const [first] = linkConformanceChecks(changed(simulate, () => ({ mtuBytes: 19 })));
    await expect(first?.run()).rejects.toMatchObject({
      code: "link-check-failed",
      check: "mtuBytes is a whole number from 20 to 65535",
    });
  });

  it("tears the setup down after each check, also after one that failed", async () => {
    let made = 0;
    let tornDown = 0;
    const factory = changed(simulate, () => ({ mtuBytes: 19 }));
    const results = await resultsOf(async () => {
      made++;
      return { ...(await factory()), tearDown: () => tornDown++ };
    });
    expect([made, tornDown]).toEqual([results.length, results.length]);
  });

  it.each([{ patienceUs: 0 }, { quietUs: 1.5 }, { datagrams: 1 }])(
    "refuses options out of range: %o",
    async (options) => {
      await expect(linkConformance(sound, options)).rejects.toMatchObject({
        code: "invalid-option",
      });
    },
  );
});
