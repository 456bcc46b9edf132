/** How vectors of frames are put together. All addresses, numbers and datagrams are invented. */
import {
  type BridgeFrameJson,
  type BridgeFrameVector,
  type Direction,
  type Framing,
  onLine,
} from "./bridge-vector.js";
import { plain } from "./vector.js";

export const STATION = "020000000011";
/** A datagram of PROTOCOL.md with a message of two bytes; what is in it does not matter here. */
export const DATAGRAM = "41a1b2e000016f6b9e34";

export interface More {
  readonly framing?: Framing;
  readonly addressBytes?: number;
  readonly impliedHex?: string;
  readonly canonical?: boolean;
}

export function frameVector(
  direction: Direction,
  section: string,
  name: string,
  hex: string,
  frame: BridgeFrameJson,
  { framing = "cobs", addressBytes = 6, impliedHex, canonical = true }: More = {},
): BridgeFrameVector {
  const bodyHex = plain(hex);
  return {
    name,
    section,
    framing,
    direction,
    addressBytes,
    ...(impliedHex !== undefined && { impliedHex }),
    bodyHex,
    lineHex: onLine(bodyHex, framing, impliedHex),
    canonical,
    frame,
  };
}
