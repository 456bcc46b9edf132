import { Endpoint } from "@fardel/core";
import { formatAddress, lossyPair, presets } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { ObservedLink } from "../observed-link.js";
import type { RecordedDatagram } from "../recording/format.js";
import { passTime } from "../test-context.js";
import { summaryLines, TraceSummary } from "./trace-summary.js";

function received(last: number, atUs: number, rssiDbm?: number): RecordedDatagram {
  const signal = rssiDbm !== undefined && { rssiDbm };
  const peer = Uint8Array.of(2, 0, 0, 0, 0, last);
  return { atUs, direction: "received", peer, bytes: new Uint8Array(10), ...signal };
}

describe("TraceSummary", () => {
  it("counts by peer, both ways", () => {
    const summary = new TraceSummary();
    summary.add(received(1, 1_000_000, -60));
    summary.add(received(1, 4_000_000, -70));
    summary.add(received(1, 5_000_000));
    summary.add({ ...received(2, 6_000_000), direction: "sent", outcome: "not-acknowledged" });
    expect(summary.peers()).toEqual([
      {
        peer: Uint8Array.of(2, 0, 0, 0, 0, 1),
        sentDatagrams: 0,
        sentBytes: 0,
        outcomes: {},
        receivedDatagrams: 3,
        receivedBytes: 30,
        missingDatagrams: 0,
        duplicateDatagrams: 0,
        unreadableDatagrams: 3,
        rssiDbmMean: -65,
        rssiDbmMin: -70,
        firstUs: 1_000_000,
        lastUs: 5_000_000,
        longestSilenceUs: 3_000_000,
      },
      expect.objectContaining({ sentDatagrams: 1, outcomes: { "not-acknowledged": 1 } }),
    ]);
    const lines = summaryLines(summary.peers(), formatAddress);
    expect(lines[1]).toMatch(/^02:00:00:00:00:01 .* -65, -70 dBm +3 s$/);
    expect(lines.at(-1)).toBe("4 datagrams, 40 bytes, 2 peers, 5 s from first to last.");
  });

  it("counts peers beyond its limit together, and loses none of their datagrams", () => {
    const summary = new TraceSummary(3);
    for (let index = 0; index < 50; index++) summary.add(received(index % 25, index));
    const peers = summary.peers();
    expect(peers).toHaveLength(4);
    expect(peers.at(-1)).toMatchObject({ peer: undefined, receivedDatagrams: 44 });
    expect(summaryLines(peers, formatAddress).join("\n")).toContain("all others");
  });

  it("says that there was nothing", () => {
    expect(summaryLines(new TraceSummary().peers(), formatAddress)).toEqual(["No datagrams."]);
  });

  it("finds in the numbers what the channel has lost and copied", async () => {
    const { a, b, clock, medium } = lossyPair({
      ...presets.reference(),
      seed: 9,
      bToA: { loss: 0.2, duplication: { probability: 0.1 } },
    });
    let lost = 0;
    let copies = 0;
    const fates: string[] = [];
    medium.observe(({ from, fate, copy }) => {
      if (formatAddress(from) !== formatAddress(b.localAddress)) return;
      if (copy) copies++;
      else fates.push(fate);
    });
    const summary = new TraceSummary();
    const link = new ObservedLink(a);
    link.observe({
      onReceived: (peer, bytes) =>
        summary.add({ atUs: clock.nowUs(), direction: "received", peer, bytes }),
    });
    const gateway = await Endpoint.open({ link, clock });
    gateway.onMessage(() => {});
    const board = await Endpoint.open({ link: b, clock });
    await passTime(clock, board.peer(a.localAddress).send(new Uint8Array(40_000)));
    // Before the first and behind the last that arrived, nobody can count.
    const first = fates.indexOf("delivered");
    const last = fates.lastIndexOf("delivered");
    lost = fates.slice(first, last).filter((fate) => fate === "lost").length;
    expect(lost).toBeGreaterThan(20);
    expect(copies).toBeGreaterThan(5);
    expect(summary.peers()[0]).toMatchObject({
      missingDatagrams: lost,
      duplicateDatagrams: copies,
    });
    await gateway.close();
    await board.close();
  });
});
