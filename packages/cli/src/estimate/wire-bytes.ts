/** Bytes on the wire; PROTOCOL.md, sections 2 to 4. A test compares them with core's encoders. */
export const WIRE = {
  /** Head and number of the short form, and CRC-16. */
  short: 5,
  /** The same in the long form. */
  long: 15,
  /** Type and fragment number of DATA, before its bytes. */
  dataHead: 3,
  hello: 4,
  /** ACK without its map. */
  ack: 7,
  /** Longest map. */
  ackMapMax: 32,
  /** What an opening is padded to. */
  opening: 48,
  /** CRC-32 at the end of a message of more than one fragment. */
  messageCrc: 4,
  /** A probe carries fragments again if these are at most so long, with their heads. */
  probeFragment: 64,
} as const;

/** Of a full datagram, not the message's. */
export const DATAGRAM_OVERHEAD = WIRE.short + WIRE.dataHead;

/** Of a varint (RFC 9000, section 16). */
export function varintBytes(value: number): number {
  if (value < 64) return 1;
  return value < 16_384 ? 2 : 4;
}

/** How a message is cut. */
export interface Cut {
  readonly fragments: number;
  /** The last datagram, bytes; all others are full. */
  readonly lastBytes: number;
}

/**
 * What is not the protocol's of each datagram is the message's, but for its length in the first and
 * its CRC-32 in the last. PROTOCOL.md, section 3.2.
 */
export function cutMessage(bytes: number, mtuBytes: number): Cut {
  const payload = mtuBytes - DATAGRAM_OVERHEAD;
  const whole = bytes <= payload;
  const content = whole ? bytes : bytes + varintBytes(bytes) + WIRE.messageCrc;
  const fragments = whole ? 1 : Math.ceil(content / payload);
  const lastBytes = content - (fragments - 1) * payload + DATAGRAM_OVERHEAD;
  return { fragments, lastBytes };
}
