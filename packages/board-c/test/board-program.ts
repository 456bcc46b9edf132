/** What `harness/endpoint-harness.c` calls back for, and the numbers of fardel.h. */
export const TOLD = {
  transmit: 1,
  random: 2,
  receive: 3,
  ended: 4,
  session: 5,
  read: 6,
  info: 7,
  text: 8,
  vanished: 9,
  keys: 10,
  right: 11,
} as const;

export const C = {
  ok: 0,
  delivered: 1,
  sent: 2,
  replaced: 3,
  invalid: -1,
  noMemory: -2,
  noPeer: -3,
  inUse: -4,
  tooLarge: -5,
  deadline: -6,
  cancelled: -7,
  refused: -8,
  damaged: -9,
  peerRestarted: -10,
  unreachable: -11,
  peerClosed: -12,
  unreadable: -13,
  peerRevoked: -14,
  first: 1,
  last: 2,
  broken: 4,
  opened: 1,
  ended: 2,
  resend: 1,
  handshake: 2,
  loose: 16,
  never: -1,
} as const;

/** Kinds of messages on channels 14 and 15. */
export const KIND = { message: 0, request: 1, reply: 2, failure: 3 } as const;
export const PRIORITY = { bulk: 0, normal: 1, urgent: 2 } as const;
/** What `receive` answers. */
export const ANSWER = { taken: 0, busy: 1, unwanted: 2 } as const;
/** Of a datagram: `gone` says nothing, and the link tells by its status that it is down. */
export const OUTCOME = {
  sent: 0,
  acknowledged: 1,
  "not-acknowledged": 2,
  refused: 3,
  gone: 0,
} as const;

export const ADDRESS_BYTES = 6;
/** Places for messages on their way out of one endpoint, in the harness. */
export const PLACES = 256;
/** Longest message whose bytes the harness keeps; longer ones are read. */
export const HELD_BYTES_MAX = 256;

/** A piece of a message that has arrived: fardel_arrival. */
export interface Piece {
  readonly address: Uint8Array;
  readonly id: number;
  readonly offset: number;
  readonly total: number;
  readonly part: number;
  readonly channel: number;
  readonly kind: number;
  readonly bytes: Uint8Array;
}

/** As the harness tells it. */
export function readPiece(told: Uint8Array): Piece {
  const view = new DataView(told.buffer, told.byteOffset, told.length);
  const at = ADDRESS_BYTES + 12;
  return {
    address: told.subarray(0, ADDRESS_BYTES),
    id: view.getUint32(ADDRESS_BYTES),
    offset: view.getUint32(ADDRESS_BYTES + 4),
    total: view.getUint32(ADDRESS_BYTES + 8),
    part: told[at] as number,
    channel: told[at + 1] as number,
    kind: told[at + 2] as number,
    bytes: told.subarray(at + 3),
  };
}

export function intAt(told: Uint8Array, at: number): number {
  return new DataView(told.buffer, told.byteOffset, told.length).getInt32(at);
}

export function uintAt(told: Uint8Array, at: number): number {
  return new DataView(told.buffer, told.byteOffset, told.length).getUint32(at);
}

/** How a message goes, in one number: channel, kind, priority, options, whether its bytes are read. */
export function wayOf(
  channel: number,
  kind: number,
  priority: number,
  options: number,
  reads: boolean,
): number {
  return channel | (kind << 8) | (priority << 12) | (options << 16) | ((reads ? 1 : 0) << 20);
}

export function isRead(way: number): boolean {
  return ((way >> 20) & 1) === 1;
}

export function concatenated(...parts: readonly Uint8Array[]): Uint8Array {
  const all = new Uint8Array(parts.reduce((sum, { length }) => sum + length, 0));
  let at = 0;
  for (const part of parts) {
    all.set(part, at);
    at += part.length;
  }
  return all;
}
