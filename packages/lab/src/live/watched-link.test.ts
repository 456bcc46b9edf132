import { linkConformanceChecks } from "@fardel/core/conformance";
import { lossyPair, Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { watchedLink } from "./watched-link.js";

function threeStations() {
  const clock = new VirtualClock();
  const medium = new Medium({ clock, seed: 5, ...presets.reference() });
  const attach = (last: number) =>
    watchedLink(medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, last) }), () => {});
  const advance = async (us: number) => {
    await clock.run({ untilUs: clock.nowUs() + us });
  };
  return { a: attach(1), b: attach(2), c: attach(3), advance };
}

describe("the contract of core's Link", () => {
  for (const check of linkConformanceChecks(threeStations)) it(check.name, check.run);
});

describe("watchedLink", () => {
  it("tells of the link going down and coming back, and its owner as well", async () => {
    const clock = new VirtualClock();
    const { a } = lossyPair({ clock, ...presets.reference() });
    const told: string[] = [];
    const link = watchedLink(a, (status) => told.push(`watch ${status}`));
    await link.open({ onDatagram: () => {}, onStatus: (status) => told.push(`owner ${status}`) });
    a.restartRadio(1000);
    await clock.run({ untilUs: 10_000 });
    expect(told).toEqual(["watch down", "owner down", "watch up", "owner up"]);
    expect(link.localAddress).toEqual(a.localAddress);
    expect(link.airtimeUs?.(250)).toBe(a.airtimeUs(250));
  });
});
