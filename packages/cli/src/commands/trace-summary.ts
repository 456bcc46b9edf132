import type { Address, SendOutcome } from "@fardel/core";
import { count, bytes as countBytes, counted, duration, percent } from "../format.js";
import { hex } from "../output.js";
import { type DatagramNumber, datagramWords } from "../recording/datagram-words.js";
import type { RecordedDatagram } from "../recording/format.js";
import { NumberGaps } from "../recording/number-gaps.js";
import { type Column, tableLines } from "../render.js";

/** Peers that are counted each for itself; as many as an endpoint remembers. Others: together. */
const PEERS_MAX = 16_384;

/** What passed between us and one peer. */
export interface PeerSummary {
  /** `undefined`: all peers beyond the limit. */
  readonly peer: Address | undefined;
  readonly sentDatagrams: number;
  readonly sentBytes: number;
  /** Of those sent: how often each outcome came. */
  readonly outcomes: Readonly<Partial<Record<SendOutcome, number>>>;
  readonly receivedDatagrams: number;
  readonly receivedBytes: number;
  /** Datagrams that its numbers show to be missing between those received. */
  readonly missingDatagrams: number;
  readonly duplicateDatagrams: number;
  /** Datagrams, both ways, that cannot be read. */
  readonly unreadableDatagrams: number;
  /** Mean and least signal strength of those received, dBm. */
  readonly rssiDbmMean: number | undefined;
  readonly rssiDbmMin: number | undefined;
  /** First and last datagram, both ways, and the longest time between two received. */
  readonly firstUs: number;
  readonly lastUs: number;
  readonly longestSilenceUs: number | undefined;
}

/** Counts datagrams by peer. */
export class TraceSummary {
  readonly #peers = new Map<string, PeerCounts>();
  readonly #others = new PeerCounts(undefined);
  readonly #peersMax: number;

  constructor(peersMax = PEERS_MAX) {
    this.#peersMax = peersMax;
  }

  add(datagram: RecordedDatagram): void {
    this.#countsOf(datagram.peer).add(datagram);
  }

  /** Peers in the order of their first datagram. */
  peers(): PeerSummary[] {
    const all = [...this.#peers.values()];
    if (this.#others.isUsed) all.push(this.#others);
    return all.map((counts) => counts.summary());
  }

  #countsOf(peer: Address): PeerCounts {
    const key = hex(peer);
    const known = this.#peers.get(key);
    if (known) return known;
    if (this.#peers.size >= this.#peersMax) return this.#others;
    const counts = new PeerCounts(peer.slice());
    this.#peers.set(key, counts);
    return counts;
  }
}

class PeerCounts {
  readonly #peer: Address | undefined;
  /** Made when it is needed: most peers of a flood send once. */
  #gaps: NumberGaps | undefined;
  readonly #outcomes: Partial<Record<SendOutcome, number>> = {};
  #sent = 0;
  #sentBytes = 0;
  #received = 0;
  #receivedBytes = 0;
  #unreadable = 0;
  #rssiCount = 0;
  #rssiSum = 0;
  #rssiMin = Number.POSITIVE_INFINITY;
  #firstUs = Number.POSITIVE_INFINITY;
  #lastUs = Number.NEGATIVE_INFINITY;
  #heardUs: number | undefined;
  #silenceUs: number | undefined;

  constructor(peer: Address | undefined) {
    this.#peer = peer;
  }

  get isUsed(): boolean {
    return this.#sent + this.#received > 0;
  }

  add(datagram: RecordedDatagram): void {
    const { atUs, direction, bytes, outcome } = datagram;
    this.#firstUs = Math.min(this.#firstUs, atUs);
    this.#lastUs = Math.max(this.#lastUs, atUs);
    const { number } = datagramWords(bytes);
    if (!number) this.#unreadable++;
    if (direction !== "sent") {
      // What did not arrive is missing, as its number shows.
      if (hasArrived(datagram)) this.#addReceived(datagram, number);
      return;
    }
    this.#sent++;
    this.#sentBytes += bytes.length;
    if (outcome) this.#outcomes[outcome] = (this.#outcomes[outcome] ?? 0) + 1;
  }

  #addReceived(datagram: RecordedDatagram, number: DatagramNumber | undefined): void {
    const { atUs, bytes, rssiDbm } = datagram;
    this.#received++;
    this.#receivedBytes += bytes.length;
    // The numbers of several peers have nothing to do with each other.
    if (this.#peer && number) {
      this.#gaps ??= new NumberGaps();
      this.#gaps.add(number);
    }
    if (this.#heardUs !== undefined) {
      this.#silenceUs = Math.max(this.#silenceUs ?? 0, atUs - this.#heardUs);
    }
    this.#heardUs = atUs;
    if (rssiDbm === undefined) return;
    this.#rssiCount++;
    this.#rssiSum += rssiDbm;
    this.#rssiMin = Math.min(this.#rssiMin, rssiDbm);
  }

  summary(): PeerSummary {
    const hasRssi = this.#rssiCount > 0;
    return {
      peer: this.#peer,
      sentDatagrams: this.#sent,
      sentBytes: this.#sentBytes,
      outcomes: { ...this.#outcomes },
      receivedDatagrams: this.#received,
      receivedBytes: this.#receivedBytes,
      missingDatagrams: this.#gaps?.missing ?? 0,
      duplicateDatagrams: this.#gaps?.duplicates ?? 0,
      unreadableDatagrams: this.#unreadable,
      rssiDbmMean: hasRssi ? this.#rssiSum / this.#rssiCount : undefined,
      rssiDbmMin: hasRssi ? this.#rssiMin : undefined,
      firstUs: this.#firstUs,
      lastUs: this.#lastUs,
      longestSilenceUs: this.#silenceUs,
    };
  }
}

const COLUMNS: readonly Column[] = [
  { title: "Peer" },
  { title: "Sent", align: "right" },
  { title: "Bytes", align: "right" },
  { title: "Not acked", align: "right" },
  { title: "Received", align: "right" },
  { title: "Bytes", align: "right" },
  { title: "Missing", align: "right" },
  { title: "Twice", align: "right" },
  { title: "Unreadable", align: "right" },
  { title: "RSSI mean, least", align: "right" },
  { title: "Silent at most", align: "right" },
];

/** A table with a line for each peer, and a sentence about the whole. Pure. */
export function summaryLines(
  peers: readonly PeerSummary[],
  formatAddress: (address: Address) => string,
): string[] {
  if (peers.length === 0) return ["No datagrams."];
  return [
    ...tableLines(
      COLUMNS,
      peers.map((peer) => cellsOf(peer, formatAddress)),
    ),
    "",
    totalLine(peers),
  ];
}

function cellsOf(peer: PeerSummary, formatAddress: (address: Address) => string): string[] {
  const { missingDatagrams: missing, receivedDatagrams: received, rssiDbmMean, rssiDbmMin } = peer;
  // Copies are not numbers of their own.
  const numbers = received - peer.duplicateDatagrams + missing;
  const share = missing > 0 ? ` (${percent(missing / numbers)})` : "";
  const hasRssi = rssiDbmMean !== undefined && rssiDbmMin !== undefined;
  return [
    peer.peer ? formatAddress(peer.peer) : "all others",
    count(peer.sentDatagrams),
    count(peer.sentBytes),
    count(peer.outcomes["not-acknowledged"] ?? 0),
    count(received),
    count(peer.receivedBytes),
    peer.peer ? `${count(missing)}${share}` : "",
    peer.peer ? count(peer.duplicateDatagrams) : "",
    count(peer.unreadableDatagrams),
    hasRssi ? `${Math.round(rssiDbmMean)}, ${Math.round(rssiDbmMin)} dBm` : "",
    peer.longestSilenceUs === undefined ? "" : duration(peer.longestSilenceUs),
  ];
}

function totalLine(peers: readonly PeerSummary[]): string {
  const sum = (of: (peer: PeerSummary) => number) => peers.reduce((all, one) => all + of(one), 0);
  const datagrams = sum((peer) => peer.sentDatagrams + peer.receivedDatagrams);
  const size = sum((peer) => peer.sentBytes + peer.receivedBytes);
  const fromUs = peers.reduce((least, { firstUs }) => Math.min(least, firstUs), Infinity);
  const toUs = peers.reduce((most, { lastUs }) => Math.max(most, lastUs), -Infinity);
  const who = counted(peers.length, "peer");
  return `${counted(datagrams, "datagram")}, ${countBytes(size)}, ${who}, ${duration(toUs - fromUs)} from first to last.`;
}

/** On a simulated medium it is known of each what became of it. */
function hasArrived({ fate }: RecordedDatagram): boolean {
  return fate === undefined || /^(delivered|corrupted)\b/.test(fate);
}
