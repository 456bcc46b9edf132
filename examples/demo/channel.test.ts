import { lossyPair, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { lossModel, shortestUs } from "./channel.js";

/** `1` for each of `count` datagrams that was lost. */
function losses(lossRate: number, burstDatagrams: number, count: number): string {
  const clock = new VirtualClock();
  const { a, b, medium } = lossyPair({
    ...presets.reference(),
    clock,
    seed: 5,
    ...lossModel(lossRate, burstDatagrams),
  });
  a.open({ onDatagram: () => undefined });
  b.open({ onDatagram: () => undefined });
  let trace = "";
  medium.observe(({ fate }) => {
    trace += fate === "lost" ? "1" : "0";
  });
  const datagram = new Uint8Array(1);
  const next = () => {
    if (trace.length < count) a.send(b.localAddress, datagram, next);
  };
  next();
  clock.runSync();
  return trace;
}

describe("losses of the demo's channel", () => {
  it.each([
    [0.2, 3],
    [0.5, 10],
    [0.05, 2],
  ])("have the rate %d and come in runs of %d on the average", (lossRate, burst) => {
    const trace = losses(lossRate, burst, 200_000);
    const lost = trace.replaceAll("0", "").length;
    const runs = trace.match(/1+/g)?.length ?? 0;
    // Fixed by the seed; far wider than chance allows at this length.
    expect(lost / trace.length / lossRate).toBeGreaterThan(0.93);
    expect(lost / trace.length / lossRate).toBeLessThan(1.07);
    expect(lost / runs / burst).toBeGreaterThan(0.95);
    expect(lost / runs / burst).toBeLessThan(1.05);
  });

  it("fall independently when runs are asked for that are shorter than chance makes them", () => {
    expect(lossModel(0.5, 1)).toEqual({ loss: 0.5 });
    expect(lossModel(0.5, 2)).toEqual({ loss: 0.5 });
    expect(lossModel(1, 1000)).toEqual({ loss: 1 });
    expect(lossModel(0, 3)).toEqual({ loss: 0 });
    expect(lossModel(0.5, 2.1)).toHaveProperty("burst");
  });
});

describe("the limit of the channel", () => {
  it("is the capacity of the erasure channel: 1 - p of what is put on it", () => {
    // P. Elias, "Coding for two noisy channels", 1955 (from memory). 250 bytes per 2,896 µs is
    // 86,326 bytes per second: at 20 % loss 69,061.
    const bytes = 1_000_000;
    const bytesPerS = (bytes / shortestUs(bytes, 250, 2896, 0.2)) * 1e6;
    expect(Math.round(bytesPerS)).toBe(69_061);
    expect(shortestUs(bytes, 250, 2896, 0)).toBe((bytes / 250) * 2896);
  });
});
