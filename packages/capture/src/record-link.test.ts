import type { Link, LinkHandlers, SendOutcome } from "@fardel/core";
import { linkConformanceChecks } from "@fardel/core/conformance";
import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { CapturedDatagram } from "./captured.js";
import { recordLink } from "./record-link.js";

describe("the contract of core's Link, recorded", () => {
  const threeStations = () => {
    const clock = new VirtualClock();
    const medium = new Medium({ clock, seed: 5, ...presets.reference() });
    const [a, b, c] = [1, 2, 3].map((last) =>
      recordLink(medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, last) }), clock, () => {}),
    );
    const advance = async (us: number) => {
      await clock.run({ untilUs: clock.nowUs() + us });
    };
    return { a: a!, b: b!, c: c!, advance };
  };
  for (const check of linkConformanceChecks(threeStations)) it(check.name, check.run);
});

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

describe("recordLink", () => {
  const PEER = Uint8Array.of(2, 0, 0, 0, 0, 9);
  const BYTES = Uint8Array.of(1, 2, 3);

  it("tells of each datagram before its owner, with copies", async () => {
    const clock = new VirtualClock();
    await clock.run({ untilUs: 500 });
    const inner = new HeldLink();
    const told: (CapturedDatagram | string)[] = [];
    const link = recordLink(inner, clock, (datagram) => told.push(datagram));
    link.open({ onDatagram: () => told.push("owner got it"), onStatus: (up) => told.push(up) });
    link.send(PEER, BYTES, (outcome) => told.push(`owner ${outcome}`));
    await clock.run({ untilUs: 1300 });
    inner.sent[0]?.("not-acknowledged");
    const heard = BYTES.slice();
    inner.handlers?.onDatagram(PEER, heard, { rssiDbm: -61, radioChannel: 6 });
    inner.handlers?.onStatus?.("down");
    heard.fill(0);
    expect(told).toEqual([
      {
        atUs: 800,
        direction: "sent",
        to: PEER,
        bytes: BYTES,
        outcome: "not-acknowledged",
        tookUs: 800,
      },
      "owner not-acknowledged",
      { atUs: 800, direction: "received", from: PEER, bytes: BYTES, rssiDbm: -61, radioChannel: 6 },
      "owner got it",
      "down",
    ]);
  });

  it("has the members that the link inside has, and no others", () => {
    const held = recordLink(new HeldLink(), new VirtualClock(), () => {});
    expect("localAddress" in held || "broadcastAddress" in held).toBe(false);
    expect(held.airtimeUs).toBeUndefined();
  });

  it("leaves out an address that no capture can hold", () => {
    const inner = new HeldLink();
    const told: CapturedDatagram[] = [];
    recordLink(inner, new VirtualClock(), (datagram) => told.push(datagram)).open({
      onDatagram: () => {},
    });
    inner.handlers?.onDatagram(new Uint8Array(65), BYTES, {});
    expect(told).toEqual([{ atUs: 0, direction: "received", bytes: BYTES }]);
  });

  it("loses no datagram when the sink throws", async () => {
    const inner = new HeldLink();
    const link = recordLink(inner, new VirtualClock(), () => {
      throw new Error("disk full");
    });
    const uncaught = new Promise((resolve) => process.once("uncaughtException", resolve));
    const listeners = process.listeners("uncaughtException").slice(0, -1);
    for (const listener of listeners) process.off("uncaughtException", listener);
    let got = 0;
    link.open({ onDatagram: () => got++ });
    inner.handlers?.onDatagram(PEER, BYTES, {});
    expect(got).toBe(1);
    await expect(uncaught).resolves.toMatchObject({ message: "disk full" });
    for (const listener of listeners) process.on("uncaughtException", listener);
  });
});
