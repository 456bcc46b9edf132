import { linkConformanceChecks } from "@fardel/core/conformance";
import { Medium, type MediumSettings, presets, Random, VirtualClock } from "@fardel/lossy-link";
import { describe, it } from "vitest";
import { Orchard } from "./host/bridge-bench.js";

interface Way extends MediumSettings {
  readonly bitRate?: number;
  readonly queue?: number;
}

/** Two hosts, each behind a line and a bridge, and a third station, for core's conformance suite. */
async function throughBridges({ bitRate = 921_600, queue = 4, ...settings }: Way) {
  const clock = new VirtualClock();
  const medium = new Medium({ ...settings, clock, seed: 11 });
  const draws = new Random(11);
  const orchard = new Orchard({
    clock,
    attach: (address) => medium.attach({ address }),
    random: () => draws.uint32(),
    bitRate,
    queue,
  });
  const a = await orchard.gateway();
  const b = await orchard.gateway();
  return {
    a: a.link,
    b: b.link,
    c: orchard.station(),
    advance: (durationUs: number) => orchard.pass(durationUs),
    takeDownA: () => a.line.pull(),
    bringUpA: () => a.line.plug(),
    tearDown: async () => {
      await a.bridge.close();
      await b.bridge.close();
    },
  };
}

const WAYS: Record<string, Way> = {
  "a fast line": presets.reference(),
  "a line slower than the radio, a queue of one": {
    ...presets.reference(),
    bitRate: 57_600,
    queue: 1,
  },
  "a radio with neighbour acks, a deep queue": {
    ...presets.ideal(),
    neighbourAcks: { lossRate: 0, repetitionsMax: 3, ackUs: 314 },
    queue: 64,
  },
};

for (const [name, way] of Object.entries(WAYS)) {
  describe(`the contract of core's Link, through bridges: ${name}`, () => {
    for (const check of linkConformanceChecks(() => throughBridges(way))) {
      it(check.name, check.run);
    }
  });
}
