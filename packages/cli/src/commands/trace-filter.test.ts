import { formatAddress } from "@fardel/lossy-link";
import { formatUdpAddress } from "@fardel/udp-link";
import { InvalidArgumentError } from "commander";
import { describe, expect, it } from "vitest";
import type { RecordedDatagram } from "../recording/format.js";
import { createFilter, type FilterOptions, frameSet, instant } from "./trace-filter.js";

const STARTED_AT = new Date("2026-04-18T03:20:00Z");
const DATAGRAM: RecordedDatagram = {
  atUs: 1_500_000,
  direction: "received",
  peer: Uint8Array.of(2, 0, 0, 0, 0, 0x0b),
  bytes: Uint8Array.of(1),
};

function passes(options: FilterOptions, datagram = DATAGRAM, format = formatAddress): boolean {
  return createFilter(options, STARTED_AT, format)(datagram);
}

describe("the filter of a trace", () => {
  it("lets all pass when nothing is asked for", () => {
    expect(passes({})).toBe(true);
  });

  it.each([
    ["02:00:00:00:00:0b", true],
    ["02-00-00-00-00-0B", true],
    ["02000000000B", true],
    ["02:00:00:00:00:0a", false],
    ["", false],
  ])("knows a peer by %s", (peer, isShown) => {
    expect(passes({ peer: ["02:00:00:00:00:01", peer] })).toBe(isShown);
  });

  it("knows a peer of UDP by host and port", () => {
    const peer = Uint8Array.of(192, 168, 1, 5, 0x1c, 0xe8);
    const datagram = { ...DATAGRAM, peer };
    expect(passes({ peer: ["192.168.1.5:7400"] }, datagram, formatUdpAddress)).toBe(true);
    expect(passes({ peer: ["192.168.1.5:7401"] }, datagram, formatUdpAddress)).toBe(false);
  });

  it.each([
    ["0", "1.5s", true],
    ["1500ms", "2s", true],
    ["1501ms", "2s", false],
    ["0", "1499ms", false],
    ["2026-04-18T03:20:01Z", "2026-04-18T05:20:02+02:00", true],
    ["2026-04-18T03:20:02Z", "1h", false],
  ])("shows what lies between %s and %s", (from, to, isShown) => {
    expect(passes({ from: instant(from), to: instant(to) })).toBe(isShown);
  });

  it("knows frames by name", () => {
    expect(passes({ frames: frameSet("unreadable") })).toBe(true);
    expect(passes({ frames: frameSet("data, ACK") })).toBe(false);
  });

  it("refuses what it does not understand, and says what there is", () => {
    expect(() => frameSet("data,dada")).toThrow(/Give some of data,ack,/);
    for (const text of ["", "soon", "1", "2026", "2026-99-99T00:00:00Z"]) {
      expect(() => instant(text)).toThrow(InvalidArgumentError);
    }
  });
});
