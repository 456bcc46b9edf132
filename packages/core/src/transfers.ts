import { indexInWay, type Way, wayOfChannel } from "./protocol/channels.js";
import type { OutgoingMessage } from "./protocol/outgoing-message.js";
import type { Peer } from "./protocol/peer.js";

/** A message under way. */
export interface TransferReport {
  /** Address of the other side. */
  readonly peer: Uint8Array;
  readonly direction: "sending" | "receiving";
  readonly way: Exclude<Way, "unacknowledged">;
  /** Within its way, as for sending; requests and replies count from 0 too. */
  readonly channel: number;
  /** Length of the message, bytes; `undefined`: its sender has not told. */
  readonly totalBytes: number | undefined;
  /** Acknowledged by the peer, or received here in order; bytes. */
  readonly doneBytes: number;
}

/** What is under way with some peers, up to a number. */
export function transfersOf(peers: Iterable<Peer>, countMax: number): TransferReport[] {
  const reports: TransferReport[] = [];
  for (const peer of peers) {
    for (const report of transfersWith(peer)) {
      if (reports.length >= countMax) return reports;
      reports.push(report);
    }
  }
  return reports;
}

function* transfersWith(peer: Peer): Generator<TransferReport> {
  for (const { channel, bytes, acknowledgedBytes } of messagesTo(peer)) {
    yield report(peer, "sending", channel, bytes.length, acknowledgedBytes);
  }
  for (const { channel, reassembly } of peer.session?.receiver?.channels ?? []) {
    if (!reassembly) continue;
    yield report(peer, "receiving", channel, reassembly.totalBytes, reassembly.receivedBytes);
  }
}

/** Those that have begun, then those that wait. */
function* messagesTo(peer: Peer): Generator<OutgoingMessage> {
  for (const channel of peer.session?.sender.channels ?? []) yield* channel.unfinished();
  for (const queue of peer.queues) {
    for (const message of queue) if (!message.hasEnded) yield message;
  }
}

function report(
  { address }: Peer,
  direction: "sending" | "receiving",
  wireChannel: number,
  totalBytes: number | undefined,
  doneBytes: number,
): TransferReport {
  const way = wayOfChannel(wireChannel);
  const channel = indexInWay(wireChannel);
  return { peer: address.slice(), direction, way, channel, totalBytes, doneBytes };
}
