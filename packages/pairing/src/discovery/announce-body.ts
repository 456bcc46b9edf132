import { PAIRING_WAYS, type PairingWay } from "../pairing/way.js";
import { invalidOption } from "../pairing-error.js";
import { BodyReader, joined, numberBytes, varintBytes, withLength } from "./body-bytes.js";
import { cutText, decodeText, encodeText } from "./text.js";

/** Bytes of a kind, and of a name, at most. PROTOCOL.md, section 15.1. */
export const KIND_BYTES_MAX = 16;
export const ANNOUNCED_NAME_BYTES_MAX = 32;

const MTU_BYTES_MIN = 20;
const FLAG_PAIRING = 0x01;
const FLAG_PLAIN = 0x02;
const FLAG_PROTECTED = 0x04;
/** The ways of pairing begin here. */
const WAYS_SHIFT = 4;

/** What a board says of itself. A claim: anybody can announce anything. PROTOCOL.md, section 15.1. */
export interface Announcement {
  /** Highest version that it speaks, 1..255. */
  readonly version: number;
  readonly isInPairingMode: boolean;
  readonly takesPlainSessions: boolean;
  readonly takesProtectedSessions: boolean;
  /** Ways of pairing that are open now. */
  readonly ways: readonly PairingWay[];
  /** Largest datagram that it receives, bytes, 20..65535. */
  readonly mtuBytes: number;
  /** Fragments that it takes on every channel before it says more, 1..255. */
  readonly window: number;
  /** Largest message that it takes, bytes, 0..2^53 - 1; 0: not told. */
  readonly messageBytesMax: number;
  /** What it is ("row-station"), at most {@link KIND_BYTES_MAX} bytes of UTF-8. Show it with care: anybody's text. */
  readonly kind: string;
  /** Which one it is, at most {@link ANNOUNCED_NAME_BYTES_MAX} bytes of UTF-8. Show it with care: anybody's text. */
  readonly name: string;
}

/** An announcement as it goes on the wire. */
export interface AnnounceBody {
  readonly body: Uint8Array;
  /** What is left of the name in it. */
  readonly nameBytes: Uint8Array;
}

/**
 * Writes the body of an ANNOUNCE. A name that does not fit is cut, between characters.
 * @param bodyBytesMax - largest body that the link carries
 * @throws {@link PairingError} `invalid-option`
 */
export function encodeAnnounce(announcement: Announcement, bodyBytesMax: number): AnnounceBody {
  checkAnnouncement(announcement);
  const kind = encodeText(announcement.kind);
  const before = joined(
    Uint8Array.of(announcement.version, flagsOf(announcement)),
    numberBytes(announcement.mtuBytes, 2),
    Uint8Array.of(announcement.window),
    varintBytes(announcement.messageBytesMax),
    withLength(kind),
  );
  const nameRoom = bodyBytesMax - before.length - 1;
  if (nameRoom < 0) {
    const kindRoom = Math.max(0, kind.length + nameRoom);
    const why = `${JSON.stringify(announcement.kind)} has ${kind.length} bytes, and datagrams of this link have room for ${kindRoom}: choose a shorter one`;
    throw invalidOption("kind", why);
  }
  const nameBytes = cutText(encodeText(announcement.name), nameRoom);
  return { body: joined(before, withLength(nameBytes)), nameBytes };
}

/** Reads the body of an ANNOUNCE. @returns nothing if it is malformed */
export function decodeAnnounce(body: Uint8Array): Announcement | undefined {
  const input = new BodyReader(body);
  const version = input.u8();
  const flags = input.u8();
  const mtuBytes = input.u16();
  const window = input.u8();
  const messageBytesMax = input.varint();
  const kindBytes = input.bytes(input.u8());
  const nameBytes = input.bytes(input.u8());
  if (input.isShort || version < 1 || mtuBytes < MTU_BYTES_MIN || window < 1) return undefined;
  if (messageBytesMax > Number.MAX_SAFE_INTEGER) return undefined;
  if (kindBytes.length > KIND_BYTES_MAX || nameBytes.length > ANNOUNCED_NAME_BYTES_MAX)
    return undefined;
  const kind = decodeText(kindBytes);
  const name = decodeText(nameBytes);
  if (kind === undefined || name === undefined) return undefined;
  return {
    version,
    isInPairingMode: (flags & FLAG_PAIRING) !== 0,
    takesPlainSessions: (flags & FLAG_PLAIN) !== 0,
    takesProtectedSessions: (flags & FLAG_PROTECTED) !== 0,
    ways: PAIRING_WAYS.filter((_, at) => (flags & (1 << (WAYS_SHIFT + at))) !== 0),
    mtuBytes,
    window,
    messageBytesMax,
    kind,
    name,
  };
}

function flagsOf(announcement: Announcement): number {
  let flags = 0;
  if (announcement.isInPairingMode) flags |= FLAG_PAIRING;
  if (announcement.takesPlainSessions) flags |= FLAG_PLAIN;
  if (announcement.takesProtectedSessions) flags |= FLAG_PROTECTED;
  for (const way of announcement.ways) flags |= 1 << (WAYS_SHIFT + PAIRING_WAYS.indexOf(way));
  return flags;
}

function checkAnnouncement(announcement: Announcement): void {
  const { version, mtuBytes, window, messageBytesMax, ways, kind, name } = announcement;
  checkInteger("version", version, 1, 255);
  checkInteger("mtuBytes", mtuBytes, MTU_BYTES_MIN, 65535);
  checkInteger("window", window, 1, 255);
  checkInteger("messageBytesMax", messageBytesMax, 0, Number.MAX_SAFE_INTEGER);
  for (const way of ways) {
    if (!PAIRING_WAYS.includes(way))
      throw invalidOption("ways", `${String(way)} is none of ${PAIRING_WAYS.join(", ")}`);
  }
  checkText("kind", kind, KIND_BYTES_MAX);
  checkText("name", name, ANNOUNCED_NAME_BYTES_MAX);
}

/** @throws {@link PairingError} `invalid-option` */
export function checkInteger(option: string, value: number, min: number, max: number): void {
  if (Number.isSafeInteger(value) && value >= min && value <= max) return;
  throw invalidOption(option, `${String(value)} is not a whole number from ${min} to ${max}`);
}

/** @throws {@link PairingError} `invalid-option` */
export function checkText(option: string, text: string, bytesMax: number): void {
  if (typeof text !== "string") throw invalidOption(option, `${String(text)} is not a text`);
  const { length } = encodeText(text);
  if (length <= bytesMax) return;
  const why = `${JSON.stringify(text)} has ${length} bytes of UTF-8, ${bytesMax} are allowed`;
  throw invalidOption(option, why);
}
