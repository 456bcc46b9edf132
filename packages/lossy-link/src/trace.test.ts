import { describe, expect, it } from "vitest";
import { Medium } from "./medium.js";
import type { MediumSettings } from "./medium-settings.js";
import { lossyPair } from "./pair.js";
import { presets } from "./presets.js";
import { environments } from "./propagation.js";
import { describeObservation, Trace } from "./trace.js";
import { VirtualClock } from "./virtual-clock.js";

/** Everything at once: what a run of this seed looks like must not depend on anything else. */
const EVERYTHING: MediumSettings = {
  ...presets.contention(),
  loss: 0.05,
  burst: { goodToBad: 0.02, badToGood: 0.25 },
  duplication: { probability: 0.05, delayUsMax: 500_000 },
  reordering: { probability: 0.05, delayUsMax: 50_000 },
  corruption: { bitErrorRate: 1e-4 },
  delayUs: 300,
  jitterUs: 700,
  outages: [[2_000_000, 2_100_000]],
  propagation: { ...environments.orchard, fadingDb: 2, halfLossDbm: -76 },
};

/** A gateway and 12 boards in two rows of an orchard (invented), all talking for 5 s. */
function orchard(seed: number, settings: MediumSettings = EVERYTHING): Trace {
  const clock = new VirtualClock();
  const medium = new Medium({ clock, seed, ...settings });
  const trace = new Trace(medium);
  const stations = Array.from({ length: 13 }, (_, index) => {
    const position = { xM: 20 * (index % 7), yM: index < 7 ? 0 : 8, zM: 1.5 };
    const link = medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 1, index), position });
    link.open({ onDatagram: () => undefined });
    return link;
  });
  const gateway = stations[0]!;
  for (const [index, board] of stations.slice(1).entries()) {
    const reading = new Uint8Array(20 + index).fill(index);
    const order = new Uint8Array(200).fill(100 + index);
    for (let atMs = 10 * index; atMs < 5000; atMs += 150) {
      clock.setTimer(atMs * 1000, () => {
        board.send(gateway.localAddress, reading, () => undefined);
        gateway.send(board.localAddress, order, () => undefined);
      });
    }
    if (index === 4) clock.setTimer(1_000_000, () => board.restartRadio(300_000));
  }
  clock.setTimer(3_000_000, () => {
    gateway.send(gateway.broadcastAddress!, Uint8Array.of(1, 2, 3), () => undefined);
  });
  clock.runSync();
  return trace;
}

describe("a run", () => {
  it("is the same for the same seed, on every machine", () => {
    const one = orchard(7);
    expect(one.lines).toEqual(orchard(7).lines);
    expect(one.lines.length).toBeGreaterThan(500);
    const fates = new Set(one.lines.map((line) => line.split(" ")[8]));
    expect(fates).toEqual(
      new Set(["delivered", "corrupted", "lost", "faded", "outage", "collided", "unheard"]),
    );
    // Held here so that a change to any draw, order or instant shows: if it was meant, put the new
    // number; if not, runs that were recorded by their seed cannot be had again.
    expect(one.hash).toBe(2_297_747_837);
  });

  it("is another one for another seed", () => {
    expect(orchard(8).hash).not.toBe(orchard(7).hash);
  });
});

describe("a trace", () => {
  it("has a line of text for each observation", () => {
    expect(
      describeObservation({
        frame: 3,
        leftAtUs: 2896,
        deliveredAtUs: 3000,
        from: Uint8Array.of(2, 0, 0, 0, 0, 10),
        to: Uint8Array.of(2, 0, 0, 0, 0, 11),
        datagram: new Uint8Array(250),
        fate: "delivered",
        copy: true,
      }),
    ).toBe(
      "#3 2896 µs 02:00:00:00:00:0a > 02:00:00:00:00:0b 250 bytes delivered at 3000 µs (copy)",
    );
  });

  it("replays the losses of a path, also those of datagrams that overtook each other", () => {
    const run = (settings: MediumSettings) => {
      const { a, b, clock, medium } = lossyPair({ ...settings, outstandingMax: 100 });
      const trace = new Trace(medium);
      a.open({ onDatagram: () => undefined });
      b.open({ onDatagram: () => undefined });
      for (let index = 0; index < 100; index++) {
        a.send(b.localAddress, Uint8Array.of(index), () => undefined);
        b.send(a.localAddress, Uint8Array.of(index), () => undefined);
      }
      clock.runSync();
      trace.stop();
      a.send(b.localAddress, Uint8Array.of(1), () => undefined);
      clock.runSync();
      return trace.lossTrace(a.localAddress, b.localAddress);
    };
    const burst = { goodToBad: 0.1, badToGood: 0.3 };
    const recorded = run({
      burst,
      delayUs: 40_000,
      duplication: { probability: 0.5 },
      reordering: { probability: 0.3, delayUsMax: 90_000 },
    });
    expect(recorded).toMatch(/^[01]{100}$/);
    expect(recorded).toContain("11");
    expect(recorded).toContain("00");
    // Steps draw from streams of their own: the same losses without delay, copies and reordering.
    expect(run({ burst })).toBe(recorded);
    expect(run({ replay: { trace: recorded } })).toBe(recorded);
  });
});
