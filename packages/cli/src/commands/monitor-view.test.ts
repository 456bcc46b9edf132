import { Endpoint, type PeerReport } from "@fardel/core";
import { formatAddress, lossyPair } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { passTime } from "../test-context.js";
import { SORT_KEYS, type SortKey, sortPeers, Watch } from "./monitor-view.js";

/** A real report, to be changed. */
async function aReport(): Promise<PeerReport> {
  const { a, b, clock } = lossyPair();
  const gateway = await Endpoint.open({ link: a, clock });
  const board = await Endpoint.open({ link: b, clock });
  board.onMessage(() => {});
  await passTime(clock, gateway.peer(b.localAddress).send(Uint8Array.of(1)));
  const [report] = gateway.reports();
  await gateway.close();
  await board.close();
  if (!report) throw new Error("there is no report");
  return report;
}

const addressOf = (number: number) => Uint8Array.of(2, 0, 0, 0, number >> 8, number & 255);
const report = await aReport();
const reportOf = (number: number, changes: Partial<PeerReport> = {}): PeerReport => ({
  ...report,
  address: addressOf(number),
  ...changes,
});

describe("Watch", () => {
  it("computes rates over the interval", () => {
    const watch = new Watch(formatAddress);
    watch.look([reportOf(1, { datagramsReceived: 10, messagesReceived: 1 })], "up", 1_000_000);
    const view = watch.look(
      [
        reportOf(1, { datagramsReceived: 40, messagesReceived: 2 }),
        reportOf(2, { datagramsReceived: 4 }),
      ],
      "down",
      3_000_000,
    );
    expect(view).toMatchObject({ atUs: 3_000_000, link: "down" });
    expect(view.peers).toMatchObject([
      { peer: "02:00:00:00:00:01", receivedDatagramsPerS: 15, receivedMessagesPerS: 0.5 },
      { peer: "02:00:00:00:00:02", receivedDatagramsPerS: 2 },
    ]);
  });

  it("begins again with a peer that was forgotten meanwhile", () => {
    const watch = new Watch(formatAddress);
    watch.look([reportOf(1, { datagramsReceived: 1000 })], "up", 1_000_000);
    const { peers } = watch.look([reportOf(1, { datagramsReceived: 3 })], "up", 2_000_000);
    expect(peers[0]?.receivedDatagramsPerS).toBe(3);
  });

  it("shows watched peers once, whether they were heard or not", () => {
    const watch = new Watch(formatAddress, [addressOf(1), addressOf(7)]);
    const { peers } = watch.look([reportOf(1)], "up", 1);
    expect(peers.map(({ peer, report: known }) => [peer, known !== undefined])).toEqual([
      ["02:00:00:00:00:01", true],
      ["02:00:00:00:00:07", false],
    ]);
  });

  it("knows the last message of each peer, and forgets it with the peer", () => {
    const watch = new Watch(formatAddress);
    watch.noteMessage(addressOf(1), 12);
    watch.noteMessage(addressOf(1), 30);
    watch.noteMessage(addressOf(2), 5);
    expect(watch).toMatchObject({ messages: 3, messageBytes: 47 });
    const { peers } = watch.look([reportOf(1), reportOf(2)], "up", 1);
    expect(peers.map(({ lastMessageBytes }) => lastMessageBytes)).toEqual([30, 5]);
    watch.look([reportOf(1)], "up", 2);
    const again = watch.look([reportOf(1), reportOf(2)], "up", 3);
    expect(again.peers.map(({ lastMessageBytes }) => lastMessageBytes)).toEqual([30, undefined]);
  });
});

describe("sortPeers", () => {
  const views = (reports: readonly (PeerReport | undefined)[]) =>
    reports.map((one, index) => ({
      peer: `p${index}`,
      report: one,
      receivedDatagramsPerS: 0,
      receivedMessagesPerS: 0,
      lastMessageBytes: undefined,
    }));

  it.each<[SortKey, keyof PeerReport, readonly (number | undefined)[]]>([
    ["heard", "silentUs", [1, 2, 3, undefined]],
    ["rssi", "rssiDbm", [-90, -60, -30, undefined]],
    ["loss", "lossRate", [0.9, 0.1, 0, undefined]],
    ["round-trip", "roundTripUs", [900, 20, 1, undefined]],
    ["queue", "queuedMessages", [9, 3, 0]],
    ["goodput", "goodputBytesPerS", [1, 10, 100, undefined]],
    ["messages", "messagesReceived", [9, 3, 0]],
  ])("by %s: what wants attention first, what is unknown last", (key, field, order) => {
    const mixed = [...order].reverse().map((value, index) => reportOf(index, { [field]: value }));
    const sorted = sortPeers(views(mixed), key);
    expect(sorted.map((view) => view.report?.[field])).toEqual(order);
  });

  it("is one order, whatever the order before", () => {
    const anyReports = fc.array(
      fc.option(fc.record({ silentUs: fc.nat({ max: 3 }), queuedMessages: fc.nat({ max: 3 }) }), {
        nil: undefined,
      }),
      { maxLength: 20 },
    );
    fc.assert(
      fc.property(anyReports, fc.constantFrom(...SORT_KEYS), (reports, key) => {
        const all = views(reports.map((one, index) => one && reportOf(index, one)));
        const sorted = sortPeers(all, key);
        expect(sortPeers([...all].reverse(), key)).toEqual(sorted);
        expect(new Set(sorted)).toEqual(new Set(all));
      }),
    );
  });
});
