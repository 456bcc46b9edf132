import fc from "fast-check";
import { PRESET_NAMES } from "./defaults.js";
import type { LabSettings } from "./settings.js";

// For tests: settings to run, small enough to run many.

const share = (max: number) => fc.oneof(fc.constant(0), fc.double({ min: 0.01, max, noNaN: true }));

/** Anything that can be set, with blobs of up to `bytesMax`. */
export function anySettings(bytesMax: number, boardsMax = 4): fc.Arbitrary<LabSettings> {
  return everything(bytesMax, boardsMax).map((settings) => {
    const { rateKbps, datagramBytes, loss, load } = settings;
    // More commands than the air can carry keep the blob waiting for ever.
    const isSlow = rateKbps === 50 || datagramBytes < 60 || loss > 0.35;
    return isSlow && load.commandEveryS > 0
      ? { ...settings, load: { ...load, commandEveryS: 2 } }
      : settings;
  });
}

function everything(bytesMax: number, boardsMax: number): fc.Arbitrary<LabSettings> {
  return fc.record({
    seed: fc.integer({ min: 1, max: 1_000_000 }),
    boards: fc.integer({ min: 1, max: boardsMax }),
    preset: fc.constantFrom(...PRESET_NAMES),
    datagramBytes: fc.oneof(fc.constant(250), fc.integer({ min: 20, max: 1_500 })),
    rateKbps: fc.constantFrom(0, 0, 50, 1_000, 12_345.5),
    loss: share(0.5),
    burst: fc.constantFrom(1, 1, 2.5, 8),
    distanceM: fc.constantFrom(0, 0, 30, 280),
    duplicate: share(0.4),
    reorder: share(0.4),
    corrupt: share(0.3),
    outagesS: fc.constantFrom<LabSettings["outagesS"]>(
      [],
      [[0.01, 0.1]],
      [
        [0.2, 0.3],
        [0.02, 0.05],
      ],
    ),
    window: fc.constantFrom(1, 4, 16, 64, 255),
    load: fc.record({
      direction: fc.constantFrom("push", "collect"),
      source: fc.constantFrom("table", "bytes"),
      bytes: fc.oneof(fc.constantFrom(0, 1, 200), fc.integer({ min: 0, max: bytesMax })),
      commandEveryS: fc.constantFrom(0, 0, 0.03, 0.2),
    }),
  });
}
