import type { SendOutcome } from "@fardel/core";
import { describe, expect, it } from "vitest";
import { meanWithinFourSigma, withinFourSigma } from "./confidence.js";
import type { LossyLink } from "./link.js";
import { Medium } from "./medium.js";
import type { MediumSettings } from "./medium-settings.js";
import { presets } from "./presets.js";
import { VirtualClock } from "./virtual-clock.js";

function stationsOn(settings: MediumSettings, count: number) {
  const clock = new VirtualClock();
  const medium = new Medium({ clock, seed: 5, ...presets.contention(), ...settings });
  const stations = Array.from({ length: count }, (_, index) => {
    const link = medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, index) });
    link.open({ onDatagram: () => undefined });
    return link;
  });
  return { clock, medium, stations };
}

/** Sends 250 bytes at a time, `count` of them, and keeps the queue full. */
function stream(from: LossyLink, to: LossyLink, count: number, told?: (o: SendOutcome) => void) {
  const datagram = new Uint8Array(250);
  let left = count;
  const next = (outcome?: SendOutcome): void => {
    if (outcome !== undefined) told?.(outcome);
    if (left-- > 0) from.send(to.localAddress, datagram, next);
  };
  next();
  next();
}

/** IEEE 802.11 DSSS, 1 Mbit/s: 192 µs header, then 8 µs for each of 43 + 250 bytes. */
const FRAME_US = 192 + 8 * 293;

describe("contention", () => {
  it("between two fresh back-offs of 0..CW collides with probability 1/(CW + 1)", () => {
    // Two independent uniform numbers out of CW + 1 are equal with 1/(CW + 1).
    for (const cwMin of [0, 3, 15, 31]) {
      const arbitration = { slotUs: 20, difsUs: 50, cwMin, cwMax: 1023 };
      const { clock, medium, stations } = stationsOn({ arbitration, neighbourAcks: false }, 3);
      const trials = 20_000;
      for (let trial = 0; trial < trials; trial++) {
        stations[0]!.send(stations[2]!.localAddress, new Uint8Array(1), () => undefined);
        stations[1]!.send(stations[2]!.localAddress, new Uint8Array(1), () => undefined);
        clock.runSync();
      }
      const { collided, delivered } = medium.statistics;
      expect(collided.datagrams + delivered.datagrams).toBe(2 * trials);
      expect(withinFourSigma(collided.datagrams / 2, trials, 1 / (cwMin + 1))).toBe(true);
    }
  });

  it("costs a lone sender DIFS and CW/2 slots on the average: 2,896 µs for a full datagram", () => {
    const { clock, medium, stations } = stationsOn({ neighbourAcks: false }, 2);
    const count = 20_000;
    stream(stations[0]!, stations[1]!, count);
    clock.runSync();
    // Uniform over 0..31 slots: variance (32² − 1)/12.
    const deviationUs = 20 * Math.sqrt((32 ** 2 - 1) / 12);
    expect(meanWithinFourSigma(clock.nowUs() / count, 2896, deviationUs, count)).toBe(true);
    expect(medium.statistics.collided.datagrams).toBe(0);
    expect(medium.statistics.airtimeUs).toBe(count * FRAME_US);
  });

  it("never lets two frames on air but from the same slot, and all frames of it are lost", () => {
    const { clock, medium, stations } = stationsOn({ neighbourAcks: false }, 6);
    const ends = new Map<number, string[]>();
    medium.observe(({ leftAtUs, fate }) => {
      ends.set(leftAtUs, [...(ends.get(leftAtUs) ?? []), fate]);
    });
    for (let index = 0; index < 5; index++) stream(stations[index]!, stations[5]!, 500);
    clock.runSync();
    let previousUs = Number.NEGATIVE_INFINITY;
    let collisions = 0;
    for (const [leftAtUs, fates] of [...ends].sort(([one], [other]) => one - other)) {
      expect(leftAtUs - FRAME_US).toBeGreaterThanOrEqual(previousUs + 50);
      expect((leftAtUs - FRAME_US - previousUs - 50) % 20 === 0 || previousUs < 0).toBe(true);
      previousUs = leftAtUs;
      expect(new Set(fates)).toEqual(new Set([fates.length > 1 ? "collided" : "delivered"]));
      if (fates.length > 1) collisions++;
    }
    expect(collisions).toBeGreaterThan(50);
    expect(medium.statistics.airtimeUs).toBe(ends.size * FRAME_US);
  });

  it("shares the air evenly", () => {
    const { clock, medium, stations } = stationsOn({}, 5);
    const sent = new Array<number>(4).fill(0);
    for (let index = 0; index < 4; index++) {
      stream(stations[index]!, stations[4]!, 1e9, () => {
        sent[index]! += 1;
      });
    }
    clock.runSync(60_000_000);
    const mean = sent.reduce((sum, count) => sum + count, 0) / 4;
    for (const count of sent) expect(Math.abs(count / mean - 1)).toBeLessThan(0.05);
    expect(medium.statistics.collided.datagrams).toBeGreaterThan(100);
  });

  it("repeats with a window that doubles, up to its limit", () => {
    // Nobody answers. Windows 3, 7, 15, 15, ...: mean back-off 1.5, 3.5, 7.5, 7.5 slots.
    const arbitration = { slotUs: 20, difsUs: 50, cwMin: 3, cwMax: 15 };
    const neighbourAcks = { repetitionsMax: 4, ackUs: 100 };
    const { clock, medium, stations } = stationsOn({ arbitration, neighbourAcks, loss: 1 }, 2);
    const frames: number[] = [];
    medium.observe(({ leftAtUs }) => frames.push(leftAtUs - FRAME_US));
    const rounds = 4000;
    const slots = new Array<number>(5).fill(0);
    const most = new Array<number>(5).fill(0);
    const datagram = new Uint8Array(250);
    for (let round = 0; round < rounds; round++) {
      stations[0]!.send(stations[1]!.localAddress, datagram, () => undefined);
      const startUs = clock.nowUs();
      frames.length = 0;
      clock.runSync();
      expect(frames.length).toBe(5);
      for (const [attempt, fromUs] of frames.entries()) {
        const idleFromUs = attempt === 0 ? startUs : frames[attempt - 1]! + FRAME_US + 100;
        const waited = (fromUs - idleFromUs - 50) / 20;
        slots[attempt]! += waited;
        most[attempt] = Math.max(most[attempt]!, waited);
      }
    }
    expect(most).toEqual([3, 7, 15, 15, 15]);
    for (const [attempt, window] of [3, 7, 15, 15, 15].entries()) {
      const deviation = Math.sqrt(((window + 1) ** 2 - 1) / 12);
      const mean = slots[attempt]! / rounds;
      expect(meanWithinFourSigma(mean, window / 2, deviation, rounds)).toBe(true);
    }
  });

  it("gets nearly everything through in spite of collisions, by repeating", () => {
    const { clock, stations } = stationsOn({}, 3);
    const outcomes: Record<string, number> = {};
    const told = (outcome: SendOutcome): void => {
      outcomes[outcome] = (outcomes[outcome] ?? 0) + 1;
    };
    stream(stations[0]!, stations[2]!, 5000, told);
    stream(stations[1]!, stations[2]!, 5000, told);
    clock.runSync();
    expect(outcomes.acknowledged).toBe(10_000);
  });

  it("keeps what is left of a back-off while another one sends", () => {
    // With one slot to choose from there is nothing random: 0 slots each time, unless frozen.
    const arbitration = { slotUs: 20, difsUs: 50, cwMin: 0, cwMax: 0 };
    const { clock, medium, stations } = stationsOn({ arbitration, neighbourAcks: false }, 3);
    const ends: [number, number][] = [];
    medium.observe(({ leftAtUs, from }) => ends.push([from[5]!, leftAtUs]));
    stations[0]!.send(stations[2]!.localAddress, new Uint8Array(250), () => undefined);
    // While the first is on air: waits for its end, and DIFS.
    clock.setTimer(1000, () => {
      stations[1]!.send(stations[2]!.localAddress, new Uint8Array(250), () => undefined);
    });
    // Long after: at the next boundary of a slot.
    clock.setTimer(10_001, () => {
      stations[0]!.send(stations[2]!.localAddress, new Uint8Array(250), () => undefined);
    });
    clock.runSync();
    const secondUs = 2 * (50 + FRAME_US);
    const idleFromUs = secondUs + 50;
    const slots = Math.ceil((10_001 - idleFromUs) / 20);
    expect(ends).toEqual([
      [0, 50 + FRAME_US],
      [1, secondUs],
      [0, idleFromUs + 20 * slots + FRAME_US],
    ]);
  });

  it("goes on when a station is closed or restarted while it waits or sends", () => {
    const { clock, medium, stations } = stationsOn({}, 4);
    const outcomes: SendOutcome[] = [];
    for (let index = 0; index < 3; index++) {
      stream(stations[index]!, stations[3]!, 50, (outcome) => outcomes.push(outcome));
    }
    for (let atMs = 1; atMs < 100; atMs += 3) {
      clock.setTimer(atMs * 1000, () => stations[0]!.restartRadio(500));
    }
    clock.setTimer(60_000, () => stations[1]!.close());
    clock.runSync();
    expect(outcomes.length).toBe(150);
    expect(medium.statistics.truncated.datagrams).toBeGreaterThan(0);
    expect(stations[2]!.statistics.outcomes.acknowledged).toBe(50);
  });

  it("has each station compete once, also one that was restarted while it was on air", () => {
    const arbitration = { slotUs: 20, difsUs: 50, cwMin: 0, cwMax: 0 };
    const { clock, medium, stations } = stationsOn({ arbitration, neighbourAcks: false }, 2);
    const [one, two] = stations as [LossyLink, LossyLink];
    one.send(two.localAddress, new Uint8Array(250), () => undefined);
    clock.setTimer(500, () => one.restartRadio(0));
    clock.setTimer(600, () => stream(one, two, 5));
    clock.runSync();
    const { carried, truncated, collided, delivered } = medium.statistics;
    const counts = [carried, truncated, collided, delivered].map(({ datagrams }) => datagrams);
    expect(counts).toEqual([1 + 5, 1, 0, 5]);
  });

  it("tells all owners also when one of them throws", () => {
    const arbitration = { slotUs: 20, difsUs: 50, cwMin: 0, cwMax: 0 };
    const { clock, stations } = stationsOn({ arbitration, neighbourAcks: false }, 3);
    const told: number[] = [];
    for (const index of [0, 1]) {
      stations[index]!.send(stations[2]!.localAddress, new Uint8Array(1), () => {
        told.push(index);
        throw new Error(`owner ${index}`);
      });
    }
    expect(() => clock.runSync()).toThrow("owner");
    expect(told).toEqual([0, 1]);
    expect(clock.runSync()).toBe("idle");
  });
});
