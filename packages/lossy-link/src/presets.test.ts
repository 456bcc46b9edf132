import { describe, expect, it } from "vitest";
import { airtimeUs, type MediumSettings } from "./medium-settings.js";
import { lossyPair } from "./pair.js";
import { presets } from "./presets.js";

/** Time from hand-over to outcome of one datagram on an idle medium. */
function timeOnAirUs(settings: MediumSettings, bytes: number): number {
  const { a, b, clock } = lossyPair(settings);
  a.open({ onDatagram: () => undefined });
  b.open({ onDatagram: () => undefined });
  let endedAtUs = -1;
  a.send(b.localAddress, new Uint8Array(bytes), () => {
    endedAtUs = clock.nowUs();
  });
  clock.runSync();
  return endedAtUs;
}

describe("the reference channel", () => {
  it("takes 552 µs + 8 µs · (43 + bytes)", () => {
    // IEEE 802.11 DSSS: 192 µs header, 50 µs DIFS, 31/2 slots of 20 µs.
    expect(presets.reference().airtime.fixedUs).toBe(192 + 50 + 310);
    for (const bytes of [0, 1, 100, 249, 250]) {
      expect(timeOnAirUs(presets.reference(), bytes)).toBe(552 + 8 * (43 + bytes));
    }
    expect(timeOnAirUs(presets.reference(), 250)).toBe(2896);
  });

  it("carries 86,326 bytes per second in full datagrams", () => {
    const { a, b, clock } = lossyPair(presets.reference());
    let bytes = 0;
    a.open({ onDatagram: () => undefined });
    b.open({
      onDatagram: (_from, datagram) => {
        bytes += datagram.length;
      },
    });
    const datagram = new Uint8Array(250);
    const next = (): void => a.send(b.localAddress, datagram, next);
    next();
    next();
    clock.runSync(100_000_000);
    expect(250 / 0.002896).toBeCloseTo(86_326, 0);
    expect(bytes).toBe(250 * Math.floor(100_000_000 / 2896));
  });

  it("is what a medium is without settings", () => {
    expect(timeOnAirUs({}, 250)).toBe(2896);
  });
});

describe("the other presets", () => {
  it.each([
    // IEEE 802.15.4 (from memory): 192 + 1,120 + 128 + 192 µs, then 32 µs for each of 25 + n bytes.
    { name: "ieee802154", mtuBytes: 102, fullUs: 1632 + 32 * 127 },
    // CAN FD (from memory): 30 bits at 500 kbit/s, then 36 bits and 8 n at 2 Mbit/s.
    { name: "canFd", mtuBytes: 64, fullUs: 30 * 2 + 36 / 2 + 64 * 4 },
    // BLE, LE 1M (from memory): two T_IFS, an empty frame of 10 bytes, and 17 + n bytes.
    { name: "bleAtt", mtuBytes: 20, fullUs: 2 * 150 + 80 + 8 * 37 },
    { name: "ideal", mtuBytes: 1500, fullUs: 0 },
  ] as const)("$name: $mtuBytes bytes in $fullUs µs", ({ name, mtuBytes, fullUs }) => {
    const preset = presets[name]();
    expect(preset.mtuBytes).toBe(mtuBytes);
    expect(airtimeUs(preset.airtime, mtuBytes)).toBe(fullUs);
    expect(timeOnAirUs(preset, mtuBytes)).toBe(fullUs);
  });

  it("bleAtt delivers half of a connection interval of 7.5 ms after the air", () => {
    const { a, b, clock } = lossyPair(presets.bleAtt());
    let deliveredAtUs = -1;
    a.open({ onDatagram: () => undefined });
    b.open({
      onDatagram: () => {
        deliveredAtUs = clock.nowUs();
      },
    });
    a.send(b.localAddress, new Uint8Array(20), () => undefined);
    clock.runSync();
    expect(deliveredAtUs).toBe(676 + 7500 / 2);
    expect("broadcastAddress" in a).toBe(false);
  });

  it("contention costs on the average what the reference channel costs always", () => {
    // 50 + 310 + 192 + 8 · (43 + 250), and the acknowledgement on top: 10 + 192 + 8 · 14.
    const { a } = lossyPair({ ...presets.contention(), neighbourAcks: false });
    const { a: withAcks } = lossyPair(presets.contention());
    expect(a.airtimeUs(250)).toBe(2896);
    expect(withAcks.airtimeUs(250)).toBe(2896 + 314);
  });

  it("are new objects each time, to be overridden", () => {
    for (const preset of Object.values(presets)) {
      expect(preset()).toEqual(preset());
      expect(preset()).not.toBe(preset());
      const { a } = lossyPair({ ...preset(), mtuBytes: 33, outstandingMax: 2, loss: 0.5 });
      expect([a.mtuBytes, a.outstandingMax]).toEqual([33, 2]);
    }
  });
});
