import type { Address, SendOutcome } from "@fardel/core";
import type { CaptureDirection, CapturedDatagram } from "./captured.js";
import { cutUtf8, textOf } from "./text.js";

/**
 * What stands before each datagram in a capture (CAPTURE.md, "The pseudo-header"): what the link
 * told of it. Most significant byte first, whatever the byte order of the file.
 */

export const PSEUDO_VERSION = 1;
/** Bytes before the addresses. */
export const PSEUDO_FIXED_BYTES = 15;
/** Its length is one byte. */
export const PSEUDO_BYTES_MAX = 255;
export const ADDRESS_BYTES_MAX = 64;
export const FATE_BYTES_MAX = 64;

const AT_VERSION = 0;
const AT_LENGTH = 1;
const AT_FLAGS = 2;
const AT_OUTCOME = 3;
const AT_RSSI = 4;
const AT_RADIO_CHANNEL = 6;
const AT_FROM_LENGTH = 8;
const AT_TO_LENGTH = 9;
const AT_FATE_LENGTH = 10;
const AT_TOOK = 11;

const DIRECTION_MASK = 0x03;
const HAS_RSSI = 0x04;
const HAS_RADIO_CHANNEL = 0x08;
const HAS_TOOK = 0x10;

const DIRECTIONS = [undefined, "received", "sent", "overheard"] as const;
const OUTCOMES = [
  undefined,
  "sent",
  "acknowledged",
  "not-acknowledged",
  "refused",
  "gone",
] as const satisfies readonly (SendOutcome | undefined)[];

/** All of a captured datagram that the pseudo-header holds. */
export interface PseudoHeader {
  readonly direction: CaptureDirection;
  readonly from?: Address;
  readonly to?: Address;
  readonly outcome?: SendOutcome;
  readonly fate?: string;
  readonly tookUs?: number;
  readonly rssiDbm?: number;
  readonly radioChannel?: number;
}

/** @returns the header alone; what is given keeps to its limits */
export function encodePseudoHeader(datagram: CapturedDatagram): Uint8Array {
  const { direction, outcome, tookUs, rssiDbm, radioChannel } = datagram;
  const { from = NO_BYTES, to = NO_BYTES } = datagram;
  const fate = cutUtf8(datagram.fate ?? "", FATE_BYTES_MAX);
  const length = PSEUDO_FIXED_BYTES + from.length + to.length + fate.length;
  const header = new Uint8Array(length);
  const view = new DataView(header.buffer);
  header[AT_VERSION] = PSEUDO_VERSION;
  header[AT_LENGTH] = length;
  header[AT_FLAGS] =
    DIRECTIONS.indexOf(direction) |
    (rssiDbm === undefined ? 0 : HAS_RSSI) |
    (radioChannel === undefined ? 0 : HAS_RADIO_CHANNEL) |
    (tookUs === undefined ? 0 : HAS_TOOK);
  header[AT_OUTCOME] = OUTCOMES.indexOf(outcome);
  view.setInt16(AT_RSSI, Math.round((rssiDbm ?? 0) * 100));
  view.setUint16(AT_RADIO_CHANNEL, radioChannel ?? 0);
  header[AT_FROM_LENGTH] = from.length;
  header[AT_TO_LENGTH] = to.length;
  header[AT_FATE_LENGTH] = fate.length;
  view.setUint32(AT_TOOK, tookUs ?? 0);
  header.set(from, PSEUDO_FIXED_BYTES);
  header.set(to, PSEUDO_FIXED_BYTES + from.length);
  header.set(fate, PSEUDO_FIXED_BYTES + from.length + to.length);
  return header;
}

/**
 * Reads the header before a datagram.
 * @param bytes - header and datagram, as they stand in a block
 * @returns the header and its length; or a few words that say why it cannot be read
 */
export function decodePseudoHeader(
  bytes: Uint8Array,
): { readonly header: PseudoHeader; readonly headerBytes: number } | string {
  if (bytes.length < PSEUDO_FIXED_BYTES) return "there is no room for what the link told";
  const version = bytes[AT_VERSION];
  if (version !== PSEUDO_VERSION) return `its pseudo-header is of version ${version}, not 1`;
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const headerBytes = view.getUint8(AT_LENGTH);
  const fromAt = PSEUDO_FIXED_BYTES;
  const toAt = fromAt + view.getUint8(AT_FROM_LENGTH);
  const fateAt = toAt + view.getUint8(AT_TO_LENGTH);
  const end = fateAt + view.getUint8(AT_FATE_LENGTH);
  if (end > headerBytes || headerBytes > bytes.length) {
    return "the lengths in its pseudo-header do not fit";
  }
  const flags = view.getUint8(AT_FLAGS);
  const outcome = OUTCOMES[view.getUint8(AT_OUTCOME)];
  const header = {
    direction: DIRECTIONS[flags & DIRECTION_MASK] ?? ("overheard" as const),
    ...(toAt > fromAt && { from: bytes.slice(fromAt, toAt) }),
    ...(fateAt > toAt && { to: bytes.slice(toAt, fateAt) }),
    ...(outcome && { outcome }),
    ...(end > fateAt && { fate: textOf(bytes.subarray(fateAt, end)) }),
    ...(flags & HAS_TOOK && { tookUs: view.getUint32(AT_TOOK) }),
    ...(flags & HAS_RSSI && { rssiDbm: view.getInt16(AT_RSSI) / 100 }),
    ...(flags & HAS_RADIO_CHANNEL && { radioChannel: view.getUint16(AT_RADIO_CHANNEL) }),
  };
  return { header, headerBytes };
}

const NO_BYTES = new Uint8Array();
