import type { Link, LinkHandlers, SendOutcome } from "@fardel/core";
import { linkConformanceChecks } from "@fardel/core/conformance";
import { lossyPair, Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { type LinkObserver, ObservedLink } from "./observed-link.js";

const hex = (bytes: Uint8Array) => Buffer.from(bytes).toString("hex");

function threeStations(observer: LinkObserver | undefined) {
  const clock = new VirtualClock();
  const medium = new Medium({ clock, seed: 5, ...presets.reference() });
  const links = [1, 2, 3].map((last) => {
    const link = new ObservedLink(medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, last) }));
    if (observer) link.observe(observer);
    return link;
  });
  const [a, b, c] = links;
  const advance = async (us: number) => {
    await clock.run({ untilUs: clock.nowUs() + us });
  };
  return { a: a!, b: b!, c: c!, advance };
}

for (const [name, observer] of [
  ["nobody observes", undefined],
  ["somebody observes", { onSent: () => {}, onReceived: () => {}, onStatus: () => {} }],
] as const) {
  describe(`the contract of core's Link, when ${name}`, () => {
    for (const check of linkConformanceChecks(() => threeStations(observer))) {
      it(check.name, check.run);
    }
  });
}

/** A link that a test holds in its hands. */
class HeldLink implements Link {
  readonly mtuBytes = 250;
  readonly outstandingMax = 4;
  handlers: LinkHandlers | undefined;
  readonly sent: ((outcome: SendOutcome) => void)[] = [];
  open(handlers: LinkHandlers): void {
    this.handlers = handlers;
  }
  send(_to: Uint8Array, _datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    this.sent.push(done);
  }
  close(): void {}
}

describe("ObservedLink", () => {
  const TO = Uint8Array.of(2, 0, 0, 0, 0, 9);
  const BYTES = Uint8Array.of(1, 2, 3);

  it("has the members that the link inside has, and no others", () => {
    const held = new ObservedLink(new HeldLink());
    expect("localAddress" in held || "broadcastAddress" in held).toBe(false);
    expect(held.airtimeUs).toBeUndefined();
    const { a } = lossyPair({ ...presets.reference() });
    const link = new ObservedLink(a);
    expect(link.localAddress).toEqual(a.localAddress);
    expect(link.broadcastAddress).toEqual(a.broadcastAddress);
    expect(link.airtimeUs?.(250)).toBe(a.airtimeUs?.(250));
  });

  it("stands in the way of nothing while nobody observes", () => {
    const inner = new HeldLink();
    const link = new ObservedLink(inner);
    const done = () => {};
    link.observe({})();
    link.send(TO, BYTES, done);
    expect(inner.sent[0]).toBe(done);
  });

  it("tells of each datagram with its outcome, signal and channel, before its owner", () => {
    const inner = new HeldLink();
    const link = new ObservedLink(inner);
    const told: string[] = [];
    link.observe({
      onSent: (to, bytes, outcome) => told.push(`sent ${hex(to)} ${hex(bytes)} ${outcome}`),
      onReceived: (from, bytes, info) =>
        told.push(`got ${hex(from)} ${hex(bytes)} ${info.rssiDbm} ${info.radioChannel}`),
      onStatus: (status) => told.push(status),
    });
    link.open({ onDatagram: () => told.push("owner got it") });
    link.send(TO, BYTES, (outcome) => told.push(`owner ${outcome}`));
    expect(told).toEqual([]);
    inner.sent[0]?.("not-acknowledged");
    inner.handlers?.onDatagram(TO, BYTES, { rssiDbm: -61, radioChannel: 6 });
    inner.handlers?.onStatus?.("down");
    expect(told).toEqual([
      "sent 020000000009 010203 not-acknowledged",
      "owner not-acknowledged",
      "got 020000000009 010203 -61 6",
      "owner got it",
      "down",
    ]);
  });

  it("loses no datagram and no outcome to an observer that throws", async () => {
    const inner = new HeldLink();
    const link = new ObservedLink(inner);
    const fail = () => {
      throw new Error("not today");
    };
    link.observe({ onSent: fail, onReceived: fail });
    const told: string[] = [];
    const uncaught = collectUncaught();
    link.open({ onDatagram: () => told.push("got") });
    link.send(TO, BYTES, (outcome) => told.push(outcome));
    inner.sent[0]?.("sent");
    inner.handlers?.onDatagram(TO, BYTES, {});
    expect(told).toEqual(["sent", "got"]);
    await expect(uncaught(2)).resolves.toEqual(["not today", "not today"]);
  });
});

/** Takes uncaught errors away from the test runner; resolves when so many have come. */
function collectUncaught(): (count: number) => Promise<string[]> {
  const before = process.listeners("uncaughtException");
  process.removeAllListeners("uncaughtException");
  const messages: string[] = [];
  let look = () => {};
  process.on("uncaughtException", (error) => {
    messages.push(error.message);
    look();
  });
  return (count) =>
    new Promise((resolve) => {
      look = () => {
        if (messages.length < count) return;
        process.removeAllListeners("uncaughtException");
        for (const listener of before) process.on("uncaughtException", listener);
        resolve(messages);
      };
      look();
    });
}
