import { linkConformanceChecks } from "@fardel/core/conformance";
import { describe, it } from "vitest";
import { Medium } from "./medium.js";
import type { MediumSettings } from "./medium-settings.js";
import { presets } from "./presets.js";
import { VirtualClock } from "./virtual-clock.js";

/** Three stations on one medium, for the checks of core's conformance suite. */
function threeStations(settings: MediumSettings) {
  const clock = new VirtualClock();
  const medium = new Medium({ clock, seed: 11, ...settings });
  const [a, b, c] = [1, 2, 3].map((last) =>
    medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, last) }),
  );
  return {
    a: a!,
    b: b!,
    c: c!,
    advance: async (durationUs: number): Promise<void> => {
      await clock.run({ untilUs: clock.nowUs() + durationUs });
    },
  };
}

const MEDIA: Record<string, MediumSettings> = {
  ...Object.fromEntries(Object.entries(presets).map(([name, preset]) => [name, preset()])),
  "full-duplex, late and jittery": { duplex: "full", delayUs: 3000, jitterUs: 9000 },
  "with neighbour acks": { neighbourAcks: { lossRate: 0.2, repetitionsMax: 3, ackUs: 314 } },
};

for (const [name, settings] of Object.entries(MEDIA)) {
  describe(`the contract of core's Link, ${name}`, () => {
    for (const check of linkConformanceChecks(() => threeStations(settings))) {
      it(check.name, check.run);
    }
  });
}
