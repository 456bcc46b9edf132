import { describe, expect, it } from "vitest";
import { meanWithinFourSigma, withinFourSigma } from "./confidence.js";
import { VirtualClock } from "./index.js";
import { Medium } from "./medium.js";
import {
  distanceM,
  environments,
  freeSpaceLossDb,
  pathLossDb,
  signalLossRate,
} from "./propagation.js";

const at = (xM: number, yM = 0) => ({ xM, yM });
const address = (index: number) => Uint8Array.of(2, 0, 0, 0, index >> 8, index & 255);

describe("path loss", () => {
  it("in free space is that of ITU-R P.525", () => {
    // 20 log10(4π d f / c): 40.05 dB at 1 m and 2.4 GHz; 6.02 dB more for each doubling.
    expect(freeSpaceLossDb(1, 2400)).toBeCloseTo(40.05, 2);
    expect(freeSpaceLossDb(2, 2400) - freeSpaceLossDb(1, 2400)).toBeCloseTo(6.02, 2);
    // The practical form of the recommendation: 32.4 + 20 log(f/MHz) + 20 log(d/km).
    const practical = 32.4 + 20 * Math.log10(868) + 20 * Math.log10(5);
    expect(Math.abs(freeSpaceLossDb(5000, 868) - practical)).toBeLessThan(0.06);
  });

  it("over distance is 10 n log10 d more than at 1 m", () => {
    // ITU-R P.1238 (from memory): N = 28 in homes, 30 in offices: so many dB for each factor of 10.
    expect(pathLossDb(1, environments.home)).toBe(40.05);
    expect(pathLossDb(10, environments.home)).toBe(68.05);
    expect(pathLossDb(10, environments.office)).toBe(70.05);
    expect(pathLossDb(100, environments.freeSpace)).toBe(80.05);
    expect(pathLossDb(100, environments.freeSpace)).toBeCloseTo(freeSpaceLossDb(100, 2400), 2);
    expect(pathLossDb(0.2, environments.home)).toBe(40.05);
  });

  it("is in steps of 1/1000 dB", () => {
    for (let d = 1.5; d < 1000; d *= 1.7) {
      const thousandths = pathLossDb(d, environments.orchard) * 1000;
      expect(Math.abs(thousandths - Math.round(thousandths))).toBeLessThan(1e-6);
    }
  });

  it("takes the distance in space", () => {
    expect(distanceM({ xM: 1, yM: 2, zM: 3 }, { xM: 3, yM: 5, zM: 9 })).toBe(7);
    expect(distanceM(at(0, 3), at(4, 0))).toBe(5);
  });
});

describe("loss by signal strength", () => {
  it("is the smooth step: none, half, all, and even about the middle", () => {
    const radio = { halfLossDbm: -90, marginDb: 4 };
    expect([-60, -86, -90, -94, -120].map((dbm) => signalLossRate(dbm, radio))).toEqual([
      0, 0, 0.5, 1, 1,
    ]);
    // 3t² − 2t³ at t = 1/4.
    expect(signalLossRate(-88, radio)).toBe(0.15625);
    expect(signalLossRate(-92, radio)).toBe(1 - 0.15625);
    expect(signalLossRate(-90, { halfLossDbm: -90, marginDb: 0 })).toBe(0);
    expect(signalLossRate(-90.001, { halfLossDbm: -90, marginDb: 0 })).toBe(1);
  });
});

describe("a medium with positions", () => {
  const heard = (medium: Medium, clock: VirtualClock, count: number, fromM: number) => {
    const sender = medium.attach({ address: address(1), position: at(fromM) });
    const receiver = medium.attach({ address: address(2), position: at(0) });
    const rssi: number[] = [];
    sender.open({ onDatagram: () => undefined });
    receiver.open({ onDatagram: (_from, _datagram, info) => rssi.push(info.rssiDbm!) });
    let left = count;
    const next = (): void => {
      if (left-- > 0) sender.send(receiver.localAddress, new Uint8Array(20), next);
    };
    next();
    clock.runSync();
    return rssi;
  };

  it("tells the signal strength: power less path loss, in whole dBm", () => {
    const clock = new VirtualClock();
    const propagation = { ...environments.freeSpace, txPowerDbm: 10 };
    // 10 dBm − 40.05 dB − 20 dB.
    expect(heard(new Medium({ clock, propagation }), clock, 3, 10)).toEqual([-50, -50, -50]);
  });

  it("loses by the curve at the edge, and all beyond it", () => {
    const clock = new VirtualClock();
    const propagation = { ...environments.freeSpace, txPowerDbm: 0, marginDb: 4, halfLossDbm: -60 };
    // At 10 m −60.05 dBm: t = 0.50625.
    const rate = signalLossRate(-60.05, propagation);
    expect(rate).toBeCloseTo(0.5094, 3);
    const medium = new Medium({ clock, propagation });
    const { length } = heard(medium, clock, 20_000, 10);
    expect(withinFourSigma(length, 20_000, 1 - rate)).toBe(true);
    expect(medium.statistics.faded.datagrams).toBe(20_000 - length);

    const far = new Medium({ clock, propagation });
    expect(heard(far, clock, 100, 20)).toEqual([]);
    expect(far.statistics.faded.datagrams).toBe(100);

    // What is lost anyhow has not faded.
    const lossy = new Medium({ clock, propagation, loss: 1 });
    expect(heard(lossy, clock, 100, 20)).toEqual([]);
    expect(lossy.statistics.lost.datagrams).toBe(100);
  });

  it("has fading from one datagram to the next with the deviation asked for", () => {
    const clock = new VirtualClock();
    const propagation = { ...environments.freeSpace, txPowerDbm: 20, fadingDb: 3 };
    const rssi = heard(new Medium({ clock, propagation }), clock, 20_000, 10);
    const mean = rssi.reduce((sum, dbm) => sum + dbm, 0) / rssi.length;
    const variance = rssi.reduce((sum, dbm) => sum + (dbm - mean) ** 2, 0) / rssi.length;
    expect(meanWithinFourSigma(mean, -40.05, 3.02, rssi.length)).toBe(true);
    // Rounding to whole decibels adds 1/12; the variance of a normal variance is 2σ⁴/n.
    const expected = 9 + 1 / 12;
    expect(meanWithinFourSigma(variance, expected, Math.SQRT2 * expected, rssi.length)).toBe(true);
  });

  it("has shadowing that is the same both ways and normal from pair to pair", () => {
    const clock = new VirtualClock();
    const propagation = { ...environments.home, txPowerDbm: 50, halfLossDbm: -200 };
    const medium = new Medium({
      clock,
      propagation,
      airtime: { fixedUs: 0, perByteUs: 0, overheadBytes: 0 },
    });
    const shadows: number[] = [];
    const origin = medium.attach({ address: address(0), position: at(0) });
    let atOrigin = 0;
    origin.open({ onDatagram: (_from, _datagram, info) => (atOrigin = info.rssiDbm!) });
    for (let index = 1; index <= 4000; index++) {
      const station = medium.attach({ address: address(index), position: at(0, 10) });
      let atStation = 0;
      station.open({ onDatagram: (_from, _datagram, info) => (atStation = info.rssiDbm!) });
      station.send(origin.localAddress, new Uint8Array(1), () => undefined);
      origin.send(station.localAddress, new Uint8Array(1), () => undefined);
      clock.runSync();
      expect(atStation).toBe(atOrigin);
      shadows.push(atStation - (50 - 68.05));
      station.close();
    }
    const mean = shadows.reduce((sum, db) => sum + db, 0) / shadows.length;
    const variance = shadows.reduce((sum, db) => sum + (db - mean) ** 2, 0) / shadows.length;
    expect(meanWithinFourSigma(mean, 0, 8, shadows.length)).toBe(true);
    expect(meanWithinFourSigma(variance, 64, Math.SQRT2 * 64, shadows.length)).toBe(true);
  });

  it("follows a station that moves", () => {
    const clock = new VirtualClock();
    const medium = new Medium({ clock, propagation: environments.freeSpace });
    const gateway = medium.attach({ address: address(1), position: at(0) });
    const board = medium.attach({ address: address(2), position: at(10) });
    const rssi: number[] = [];
    board.open({ onDatagram: (_from, _datagram, info) => rssi.push(info.rssiDbm!) });
    gateway.open({ onDatagram: () => undefined });
    for (const xM of [10, 100, 1000, 1]) {
      board.moveTo(at(xM));
      expect(board.position).toEqual(at(xM));
      gateway.send(board.localAddress, new Uint8Array(1), () => undefined);
      clock.runSync();
    }
    // 15 dBm less 40.05 and 20, 40, 60, 0 dB.
    expect(rssi).toEqual([-45, -65, -85, -25]);
  });
});
