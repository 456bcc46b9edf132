/** Counts kept for one peer, across its sessions. Bytes and datagrams as the link sees them. */
export interface PeerStatistics {
  datagramsSent: number;
  bytesSent: number;
  /** Fragments sent for the first time, and again. */
  fragmentsSent: number;
  fragmentsRepeated: number;
  datagramsReceived: number;
  bytesReceived: number;
  /** Datagrams dropped because their number had been seen, or was too old to tell. */
  duplicateDatagrams: number;
  /** Fragments received more than once. */
  duplicateFragments: number;
  /** Datagrams from this address with a wrong CRC or tag: damaged, forged, or of another session. */
  corruptDatagrams: number;
  /** Datagrams with a good CRC that no correct peer sends, and claims in them that cannot be. */
  malformed: number;
  /** Fragments that fit in no window or budget. */
  fragmentsDropped: number;
  fragmentsLost: number;
  probesSent: number;
  acksSent: number;
  messagesSent: number;
  messagesReceived: number;
  messageBytesSent: number;
  messageBytesReceived: number;
  sendsRefused: number;
  sendsNotAcknowledged: number;
  sessions: number;
}

export function createStatistics(): PeerStatistics {
  return {
    datagramsSent: 0,
    bytesSent: 0,
    fragmentsSent: 0,
    fragmentsRepeated: 0,
    datagramsReceived: 0,
    bytesReceived: 0,
    duplicateDatagrams: 0,
    duplicateFragments: 0,
    corruptDatagrams: 0,
    malformed: 0,
    fragmentsDropped: 0,
    fragmentsLost: 0,
    probesSent: 0,
    acksSent: 0,
    messagesSent: 0,
    messagesReceived: 0,
    messageBytesSent: 0,
    messageBytesReceived: 0,
    sendsRefused: 0,
    sendsNotAcknowledged: 0,
    sessions: 0,
  };
}
