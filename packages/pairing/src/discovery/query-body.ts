import { updateCrc32 } from "@fardel/core/wire";
import { ANNOUNCED_NAME_BYTES_MAX, KIND_BYTES_MAX } from "./announce-body.js";
import { BodyReader, joined, numberBytes, withLength } from "./body-bytes.js";
import { cutText, decodeText, encodeText } from "./text.js";

const FLAG_PAIRING_ONLY = 0x01;
const MAP_BYTES_MAX = 255;
/** id, spread, flags, and the lengths of kind, prefix and map. */
const FIXED_BYTES = 10;

/** "Who is there?" PROTOCOL.md, section 15.2. */
export interface Query {
  /** Unsigned, 32 bits; another one for each query. */
  readonly id: number;
  /** Answers come at random within this time, milliseconds, 0..65535. */
  readonly spreadMs: number;
  /** Only those in pairing mode answer. */
  readonly pairingOnly: boolean;
  /** Only those of this kind answer; "": all. */
  readonly kind: string;
  /** UTF-8. Only those whose announced name begins with it answer. */
  readonly prefix: Uint8Array;
  /** Bits of those who need not answer; see {@link mapBit}. */
  readonly map: Uint8Array;
}

/** Who is asked for. */
export interface QueryFilter {
  readonly kind: string;
  readonly namePrefix: string;
  readonly pairingOnly: boolean;
}

/** What of a filter fits in a query; the asker applies the whole of it to what it hears. */
export interface FittedFilter {
  readonly kind: string;
  readonly prefix: Uint8Array;
  /** Room for the map. */
  readonly mapBytesMax: number;
}

/** A kind that does not fit is left out, a prefix cut: more boards answer than need to. */
export function fitFilter(filter: QueryFilter, bodyBytesMax: number): FittedFilter {
  let room = bodyBytesMax - FIXED_BYTES;
  const kindBytes = encodeText(filter.kind).length;
  const kind = kindBytes <= room ? filter.kind : "";
  if (kind !== "") room -= kindBytes;
  const prefix = cutText(encodeText(filter.namePrefix), room);
  return { kind, prefix, mapBytesMax: Math.min(MAP_BYTES_MAX, Math.max(0, room - prefix.length)) };
}

/** Writes the body of a QUERY. */
export function encodeQuery(query: Query): Uint8Array {
  return joined(
    numberBytes(query.id, 4),
    numberBytes(query.spreadMs, 2),
    Uint8Array.of(query.pairingOnly ? FLAG_PAIRING_ONLY : 0),
    withLength(encodeText(query.kind)),
    withLength(query.prefix),
    withLength(query.map),
  );
}

/** Reads the body of a QUERY. @returns nothing if it is malformed */
export function decodeQuery(body: Uint8Array): Query | undefined {
  const input = new BodyReader(body);
  const id = input.u32();
  const spreadMs = input.u16();
  const flags = input.u8();
  const kindBytes = input.bytes(input.u8());
  const prefix = input.bytes(input.u8());
  const map = input.bytes(input.u8());
  if (input.isShort) return undefined;
  if (kindBytes.length > KIND_BYTES_MAX || prefix.length > ANNOUNCED_NAME_BYTES_MAX)
    return undefined;
  const kind = decodeText(kindBytes);
  if (kind === undefined || decodeText(prefix) === undefined) return undefined;
  const pairingOnly = (flags & FLAG_PAIRING_ONLY) !== 0;
  return { id, spreadMs, pairingOnly, kind, prefix: prefix.slice(), map: map.slice() };
}

/**
 * Which bit of a map of this length stands for a board.
 * @param mapBytes - at least 1
 * @returns index, counted from the most significant bit of the first byte
 */
export function mapBit(id: number, address: Uint8Array, mapBytes: number): number {
  return mixed(updateCrc32(updateCrc32(0, numberBytes(id, 4)), address)) % (8 * mapBytes);
}

/**
 * A CRC is linear: two boards whose bits are the same with one `id` would share them with every `id`, and one that was
 * heard would hide the other one for ever. The finaliser of MurmurHash3 (A. Appleby, in the public domain) is not linear.
 */
function mixed(crc: number): number {
  let hash = Math.imul(crc ^ (crc >>> 16), 0x85ebca6b);
  hash = Math.imul(hash ^ (hash >>> 13), 0xc2b2ae35);
  return (hash ^ (hash >>> 16)) >>> 0;
}

/** Whether the map says that this board was heard; an empty one says so of nobody. */
export function isInMap({ id, map }: Pick<Query, "id" | "map">, address: Uint8Array): boolean {
  if (map.length === 0) return false;
  const bit = mapBit(id, address, map.length);
  return (map[bit >> 3]! & (0x80 >> (bit & 7))) !== 0;
}

/** The map of these boards. */
export function makeMap(id: number, addresses: Iterable<Uint8Array>, mapBytes: number): Uint8Array {
  const map = new Uint8Array(mapBytes);
  if (mapBytes === 0) return map;
  for (const address of addresses) {
    const bit = mapBit(id, address, mapBytes);
    map[bit >> 3]! |= 0x80 >> (bit & 7);
  }
  return map;
}
