/**
 * The shape of the bridge's vectors, and what is needed to write them down: nothing here is taken
 * from the sources that they check. BRIDGE.md is the only model.
 */
import { bytesOf, crc16, hexOf } from "./vector.js";

export type Framing = "cobs" | "slip";
export type Direction = "to-bridge" | "to-host";

type Json = string | number | boolean | null | readonly Json[] | { readonly [name: string]: Json };

/** A decoded frame as JSON: bytes, `host` and `bridge` in hexadecimal; `null`: not there. */
export type BridgeFrameJson = { readonly type: string } & { readonly [name: string]: Json };

/** What every vector of a frame says about itself. */
export interface BridgeVector {
  readonly name: string;
  /** Section of BRIDGE.md. */
  readonly section: string;
  readonly framing: Framing;
  readonly direction: Direction;
  /** `A`: length of an address; 0 as long as no HELLO has told it. */
  readonly addressBytes: number;
  /** Address of the last SEND or RECEIVED, if there was one. */
  readonly impliedHex?: string;
  readonly bodyHex: string;
  /** The body with its CRC, stuffed, and one delimiter behind. */
  readonly lineHex: string;
}

/** A frame that is taken. */
export interface BridgeFrameVector extends BridgeVector {
  /** Whether an encoder writes exactly this body for this frame. */
  readonly canonical: boolean;
  readonly frame: BridgeFrameJson;
}

/** A frame that is undamaged and ignored all the same. */
export interface BridgeRefusalVector extends BridgeVector {
  readonly fault: "unknown-type" | "malformed";
}

/** Bytes on a line, damaged or not, and what a receiver finds in them. */
export interface BridgeLineVector {
  readonly name: string;
  /** Section of BRIDGE.md. */
  readonly section: string;
  readonly framing: Framing;
  readonly bodyBytesMax: number;
  /** Address of the last SEND or RECEIVED, if there was one. */
  readonly impliedHex?: string;
  readonly lineHex: string;
  readonly bodiesHex: readonly string[];
  readonly damaged: number;
  readonly tooLong: number;
}

/** Body and CRC; types 03 and 83 have the implied address in front of what the CRC covers. */
function withCrc(bodyHex: string, impliedHex: string | undefined): number[] {
  const body = bytesOf(bodyHex);
  const isShort = body[0] === 0x03 || body[0] === 0x83;
  const covered = isShort && impliedHex !== undefined ? [...bytesOf(impliedHex), ...body] : body;
  const crc = crc16(covered);
  return [...body, crc & 0xff, crc >> 8];
}

/**
 * COBS as its authors explain it: a zero is put behind the bytes, they are cut behind each zero, and
 * each piece is told by its length; pieces of more than 254 bytes are cut once more.
 */
function cobs(bytes: readonly number[]): number[] {
  const out: number[] = [];
  let rest = [...bytes, 0];
  while (rest.length > 0) {
    const zeroAt = rest.indexOf(0);
    const isFull = zeroAt >= 254;
    const run = rest.slice(0, isFull ? 254 : zeroAt);
    out.push(run.length + 1, ...run);
    rest = rest.slice(isFull ? 254 : zeroAt + 1);
    // The zero that was put behind goes without saying after a full run.
    if (isFull && rest.length === 1) rest = [];
  }
  return out;
}

function slip(bytes: readonly number[]): number[] {
  return bytes.flatMap((byte) => {
    if (byte === 0xc0) return [0xdb, 0xdc];
    return byte === 0xdb ? [0xdb, 0xdd] : [byte];
  });
}

/** A frame as it goes on the line, with one delimiter behind. */
export function onLine(bodyHex: string, framing: Framing, impliedHex?: string): string {
  const bytes = withCrc(bodyHex, impliedHex);
  return framing === "cobs" ? hexOf([...cobs(bytes), 0]) : hexOf([...slip(bytes), 0xc0]);
}
