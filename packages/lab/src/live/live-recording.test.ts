import { readCapture } from "@fardel/capture";
import { describe, expect, it } from "vitest";
import { LiveRecording } from "./live-recording.js";

const HEAD = { link: "bridge barn", mtuBytes: 250, startedAt: new Date("2026-04-18T03:20:00Z") };

function datagram(atUs: number) {
  return { atUs, direction: "received" as const, bytes: Uint8Array.of(1, 2, 3), rssiDbm: -61 };
}

async function read(recording: LiveRecording) {
  return readCapture(new Uint8Array(await recording.finish().arrayBuffer()));
}

describe("LiveRecording", () => {
  it("gives a file that can be read", async () => {
    const recording = new LiveRecording(HEAD);
    recording.add(datagram(100));
    recording.add(datagram(200));
    const { datagrams } = await read(recording);
    expect(datagrams.map(({ atUs, rssiDbm }) => [atUs, rssiDbm])).toEqual([
      [100, -61],
      [200, -61],
    ]);
    expect(recording.dropped).toBe(0);
  });

  it("is full at its limit, and counts what comes after that", async () => {
    const recording = new LiveRecording(HEAD, 1000);
    for (let count = 0; count < 100; count++) recording.add(datagram(count));
    expect(recording.bytes).toBeLessThan(1200);
    const { datagrams } = await read(recording);
    expect(datagrams.length).toBeGreaterThan(3);
    expect(recording.dropped).toBe(100 - datagrams.length);
  });
});
