/**
 * Counts of a bridge since its board booted, each modulo 2^32. Those that it does not keep are left
 * out. @see BRIDGE.md, section 5.5
 */
export interface BridgeStatistics {
  readonly uptimeS?: number;
  readonly framesReceived?: number;
  /** Damaged frames from the host, noise included. */
  readonly framesDamaged?: number;
  readonly framesUnknown?: number;
  /** Datagrams handed to the radio. */
  readonly datagramsSent?: number;
  readonly datagramsAcknowledged?: number;
  readonly datagramsNotAcknowledged?: number;
  /** The queue was full, or the radio did not take them. */
  readonly datagramsRefused?: number;
  /** Lost on the line to the bridge. */
  readonly datagramsLostOnLine?: number;
  /** Heard by the radio. */
  readonly datagramsHeard?: number;
  /** Heard, but the line to the host was too slow. */
  readonly datagramsDropped?: number;
  /** Put out of the radio's table to make room. */
  readonly peersPutOut?: number;
  /** How often the radio never said what became of a datagram. */
  readonly radioSilences?: number;
}

const NAMES: readonly (keyof BridgeStatistics)[] = [
  "uptimeS",
  "framesReceived",
  "framesDamaged",
  "framesUnknown",
  "datagramsSent",
  "datagramsAcknowledged",
  "datagramsNotAcknowledged",
  "datagramsRefused",
  "datagramsLostOnLine",
  "datagramsHeard",
  "datagramsDropped",
  "peersPutOut",
  "radioSilences",
];

/** The counts of a STATISTICS frame under their names; what goes beyond them is ignored. */
export function statisticsOf(counts: readonly number[]): BridgeStatistics {
  return Object.fromEntries(
    NAMES.slice(0, counts.length).map((name, index) => [name, counts[index]]),
  );
}
