import type { PeerReport } from "@fardel/core";
import { describe, expect, it } from "vitest";
import { logLines, tableView, viewObject } from "./monitor-render.js";
import type { MonitorView, PeerView } from "./monitor-view.js";

const REPORT: PeerReport = {
  datagramsSent: 1234,
  bytesSent: 5000,
  fragmentsSent: 10,
  fragmentsRepeated: 1,
  datagramsReceived: 99,
  bytesReceived: 900,
  duplicateDatagrams: 0,
  duplicateFragments: 0,
  corruptDatagrams: 0,
  malformed: 0,
  fragmentsDropped: 0,
  fragmentsLost: 1,
  probesSent: 0,
  acksSent: 0,
  messagesSent: 3,
  messagesReceived: 12,
  messageBytesSent: 100,
  messageBytesReceived: 300,
  sendsRefused: 0,
  sendsNotAcknowledged: 0,
  sessions: 1,
  address: Uint8Array.of(2, 0, 0, 0, 0, 0x0b),
  phase: "open",
  isVerified: true,
  isProtected: false,
  roundTripUs: 5300,
  roundTripVariationUs: 100,
  lossRate: 0.125,
  goodputBytesPerS: 84_200,
  rssiDbm: -61.4,
  radioChannel: 6,
  silentUs: 300_000,
  queuedMessages: 2,
  queuedBytes: 64,
  heldBytes: 0,
};

const PEER: PeerView = {
  peer: "02:00:00:00:00:0b",
  report: REPORT,
  receivedDatagramsPerS: 1.5,
  receivedMessagesPerS: 0.5,
  lastMessageBytes: 28,
};
const UNKNOWN: PeerView = {
  peer: "02:00:00:00:00:0c",
  report: undefined,
  receivedDatagramsPerS: 0,
  receivedMessagesPerS: 0,
  lastMessageBytes: undefined,
};
const VIEW: MonitorView = { atUs: 12_000_000, link: "up", peers: [PEER, UNKNOWN] };

describe("what a monitor shows", () => {
  it("is a table on a terminal", () => {
    expect(tableView(VIEW, VIEW.peers, "a row of trees", 24)).toEqual([
      "   12.0 s  2 peers  a row of trees",
      "Peer               Session   Silent for          RSSI    Loss  Round trip  Queue  In/s  Datagrams  Messages      Last    Goodput  Protection",
      "02:00:00:00:00:0b  open          300 ms  -61 dBm ch 6  12.5 %      5.3 ms      2   1.5   1,234/99      3/12  28 bytes  84.2 kB/s  none",
      "02:00:00:00:00:0c  none     never heard                                            0.0                                            none",
    ]);
  });

  it("is a line for each peer elsewhere", () => {
    expect(logLines(VIEW, VIEW.peers)).toEqual([
      "   12.0 s  02:00:00:00:00:0b, session open, silent for 300 ms, RSSI -61 dBm ch 6, loss 12.5 %, round trip 5.3 ms, queue 2, goodput 84.2 kB/s, datagrams 1,234 out 99 in, messages 3 out 12 in, last 28 bytes, protection none",
      "   12.0 s  02:00:00:00:00:0c, never heard",
    ]);
    expect(logLines({ ...VIEW, link: "down" }, [])).toEqual([
      "   12.0 s  link down  nobody was heard yet",
    ]);
  });

  it("is an object with every figure of the report for programs", () => {
    const object = JSON.parse(JSON.stringify(viewObject(VIEW, VIEW.peers)));
    const { address: _, isProtected: __, ...figures } = REPORT;
    expect(object).toEqual({
      type: "peers",
      atUs: 12_000_000,
      link: "up",
      peers: [
        {
          peer: "02:00:00:00:00:0b",
          ...figures,
          protection: "none",
          receivedDatagramsPerS: 1.5,
          receivedMessagesPerS: 0.5,
          lastMessageBytes: 28,
        },
        {
          peer: "02:00:00:00:00:0c",
          phase: "none",
          protection: "none",
          receivedDatagramsPerS: 0,
          receivedMessagesPerS: 0,
        },
      ],
    });
  });

  it("fits into the height, and only looks at what fits", () => {
    let looks = 0;
    const peers = Array.from({ length: 1000 }, (_, index) => ({
      ...PEER,
      get peer() {
        looks++;
        return `peer ${index}`;
      },
    }));
    for (const rows of [1, 2, 3, 4, 10, 23]) {
      looks = 0;
      const lines = tableView({ ...VIEW, peers }, peers, "link", rows);
      expect(lines).toHaveLength(rows);
      expect(looks).toBeLessThanOrEqual(rows);
      if (rows >= 4) expect(lines.at(-1)).toBe(`… and ${1000 - (rows - 3)} more peers`);
    }
    const three = peers.slice(0, 3);
    expect(tableView({ ...VIEW, peers: three }, three, "link", 5)).toHaveLength(5);
  });

  it("never lets a name move the cursor", () => {
    const evil = "\u001b[2Jrow\r\n\u0007\u202e\u009b1A";
    const peers = [{ ...PEER, peer: evil }];
    const lines = [...tableView(VIEW, peers, evil, 24), ...logLines(VIEW, peers)];
    expect(lines.join("")).not.toMatch(/[\p{Cc}\p{Cf}]/u);
    expect(lines.join("")).toContain("\\u{1b}[2Jrow");
  });

  it("says that nobody is there, and that the link is down", () => {
    const lines = tableView({ ...VIEW, link: "down" }, [], "link", 24);
    expect(lines[0]).toBe("   12.0 s  0 peers  LINK DOWN  link");
    expect(lines[2]).toBe("Nobody was heard yet.");
  });
});
