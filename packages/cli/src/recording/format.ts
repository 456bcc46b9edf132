import type { Address, SendOutcome } from "@fardel/core";
import { hex } from "../output.js";

/**
 * The lines of a recording (TRACE.md, "The file"): JSON, one object a line. Pure: text to values
 * and back. Hostile text gives a fault, never an exception.
 */

export const RECORDING_FORMAT = "fardel-recording";
export const RECORDING_VERSION = 1;

/** Longest address that a recording holds, bytes; the longest of our links, IPv6 and port, has 18. */
const ADDRESS_BYTES_MAX = 64;
/** The contract of `Link` allows no more. */
const DATAGRAM_BYTES_MAX = 65_535;
/** Longest line, bytes: the largest datagram takes 131,070 digits. A longer line is passed over. */
export const LINE_BYTES_MAX = 256 * 1024;

/** The first line: what was recorded, and when. */
export interface RecordingHead {
  /** Largest datagram of the link, bytes. */
  readonly mtuBytes: number;
  /** Date and time of instant 0. */
  readonly startedAt: Date;
  /** The link as it was named on the command line. */
  readonly link: string;
  /** Address of the side that recorded, if the link knows it. */
  readonly localAddress?: Address;
}

const DIRECTIONS = ["sent", "received", "overheard"] as const;
export type RecordedDirection = (typeof DIRECTIONS)[number];

/** A datagram that passed over a link. */
export interface RecordedDatagram {
  /** Time since the start: of arrival, or of the outcome; microseconds. */
  readonly atUs: number;
  /** `overheard`: it passed between others. */
  readonly direction: RecordedDirection;
  /** Address of the other side; of an overheard one: of its sender. */
  readonly peer: Address;
  /** Of an overheard one: to whom it went, if that is known. */
  readonly to?: Address;
  readonly bytes: Uint8Array;
  /** What became of it, of one that was sent. */
  readonly outcome?: SendOutcome;
  /** Of one that was sent: from handing it over until the outcome, microseconds. */
  readonly tookUs?: number;
  /** What became of it on a simulated medium. */
  readonly fate?: string;
  readonly rssiDbm?: number;
  readonly radioChannel?: number;
}

/** A hole: so many datagrams passed and were not written, because the disk was too slow. */
export interface RecordedLoss {
  readonly atUs: number;
  readonly dropped: number;
}

/** What was read, or a sentence that says what is wrong with the line. */
export type Read<T> =
  | { readonly ok: true; readonly value: T }
  | { readonly ok: false; readonly why: string };

type Fields = Readonly<Record<string, unknown>>;

export function encodeHead({ mtuBytes, startedAt, link, localAddress }: RecordingHead): string {
  const format = RECORDING_FORMAT;
  const address = localAddress && hex(localAddress);
  const head = {
    format,
    version: RECORDING_VERSION,
    mtuBytes,
    startedAt,
    link,
    localAddress: address,
  };
  return `${JSON.stringify(head)}\n`;
}

/** Reads the first line. Fields that it does not know are passed over. */
export function decodeHead(line: string): Read<RecordingHead> {
  const fields = parseObject(line);
  if (fields?.format !== RECORDING_FORMAT) return fault("it does not begin like a recording");
  if (fields.version !== RECORDING_VERSION) {
    const version = JSON.stringify(fields.version)?.slice(0, 20) ?? "no version";
    return fault(`its format is version ${version}, and this program reads ${RECORDING_VERSION}`);
  }
  const { mtuBytes, link } = fields;
  if (!isWhole(mtuBytes, 20, DATAGRAM_BYTES_MAX)) return fault("mtuBytes is not 20 to 65535");
  const startedAt = typeof fields.startedAt === "string" ? new Date(fields.startedAt) : undefined;
  if (!startedAt || Number.isNaN(startedAt.getTime())) return fault("startedAt is not a date");
  if (typeof link !== "string") return fault("link is not a text");
  const localAddress = parseHex(fields.localAddress, 1, ADDRESS_BYTES_MAX);
  return { ok: true, value: { mtuBytes, startedAt, link, ...(localAddress && { localAddress }) } };
}

export function encodeDatagram(datagram: RecordedDatagram): string {
  const { atUs, direction, peer, to, bytes, outcome, tookUs, fate, rssiDbm, radioChannel } =
    datagram;
  const fields = {
    atUs,
    direction,
    peer: hex(peer),
    to: to && hex(to),
    bytes: hex(bytes),
    outcome,
    tookUs,
    fate,
    rssiDbm,
    radioChannel,
  };
  return `${JSON.stringify(fields)}\n`;
}

export function encodeLoss({ atUs, dropped }: RecordedLoss): string {
  return `${JSON.stringify({ atUs, dropped })}\n`;
}

/** Reads any line but the first. Fields that it does not know are passed over. */
export function decodeLine(line: string): Read<RecordedDatagram | RecordedLoss> {
  const fields = parseObject(line);
  if (!fields) return fault("it is not a JSON object");
  const { atUs, dropped } = fields;
  if (!isWhole(atUs, 0, Number.MAX_SAFE_INTEGER)) {
    return fault("atUs is not a whole number of microseconds");
  }
  if (dropped === undefined) return decodeDatagram(atUs, fields);
  if (!isWhole(dropped, 1, Number.MAX_SAFE_INTEGER)) return fault("dropped is not a count");
  return { ok: true, value: { atUs, dropped } };
}

function decodeDatagram(atUs: number, fields: Fields): Read<RecordedDatagram> {
  const { outcome, tookUs, fate, rssiDbm, radioChannel } = fields;
  const direction = DIRECTIONS.find((known) => known === fields.direction);
  if (!direction) return fault(`direction is none of ${DIRECTIONS.join(", ")}`);
  const peer = parseHex(fields.peer, 1, ADDRESS_BYTES_MAX);
  if (!peer) return fault(`peer is not hexadecimal of 1 to ${ADDRESS_BYTES_MAX} bytes`);
  const bytes = parseHex(fields.bytes, 0, DATAGRAM_BYTES_MAX);
  if (!bytes) return fault(`bytes is not hexadecimal of 0 to ${DATAGRAM_BYTES_MAX} bytes`);
  const to = fields.to === undefined ? undefined : parseHex(fields.to, 1, ADDRESS_BYTES_MAX);
  if (fields.to !== undefined && !to) {
    return fault(`to is not hexadecimal of 1 to ${ADDRESS_BYTES_MAX} bytes`);
  }
  if (tookUs !== undefined && !isWhole(tookUs, 0, 0xffff_ffff)) {
    return fault("tookUs is not 0 to 2^32 - 1");
  }
  if (fate !== undefined && typeof fate !== "string") return fault("fate is not a text");
  if (outcome !== undefined && !isOutcome(outcome)) return fault("outcome is none that there is");
  if (rssiDbm !== undefined && typeof rssiDbm !== "number") return fault("rssiDbm is not a number");
  if (radioChannel !== undefined && !isWhole(radioChannel, 0, 65_535)) {
    return fault("radioChannel is not 0 to 65535");
  }
  const signal = {
    ...(to && { to }),
    ...(tookUs !== undefined && { tookUs }),
    ...(fate !== undefined && { fate }),
    ...(outcome !== undefined && { outcome }),
    ...(rssiDbm !== undefined && { rssiDbm }),
    ...(radioChannel !== undefined && { radioChannel }),
  };
  return { ok: true, value: { atUs, direction, peer, bytes, ...signal } };
}

function fault(why: string): { readonly ok: false; readonly why: string } {
  return { ok: false, why };
}

function parseObject(line: string): Fields | undefined {
  try {
    const value: unknown = JSON.parse(line);
    return isObject(value) ? value : undefined;
  } catch {
    return undefined;
  }
}

function isObject(value: unknown): value is Fields {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

function isWhole(value: unknown, min: number, max: number): value is number {
  return Number.isSafeInteger(value) && Number(value) >= min && Number(value) <= max;
}

const OUTCOMES: Readonly<Record<SendOutcome, true>> = {
  sent: true,
  acknowledged: true,
  "not-acknowledged": true,
  refused: true,
  gone: true,
};

function isOutcome(value: unknown): value is SendOutcome {
  return typeof value === "string" && Object.hasOwn(OUTCOMES, value);
}

function parseHex(text: unknown, bytesMin: number, bytesMax: number): Uint8Array | undefined {
  if (typeof text !== "string" || text.length % 2 !== 0) return undefined;
  const length = text.length / 2;
  if (length < bytesMin || length > bytesMax || !/^[0-9a-f]*$/i.test(text)) return undefined;
  const bytes = new Uint8Array(length);
  for (let index = 0; index < length; index++) {
    bytes[index] = Number.parseInt(text.slice(2 * index, 2 * index + 2), 16);
  }
  return bytes;
}
