/** Frames that are undamaged and ignored all the same. */
import { type BridgeRefusalVector, type Direction, onLine } from "./bridge-vector.js";
import { plain } from "./vector.js";

function refused(
  fault: BridgeRefusalVector["fault"],
  direction: Direction,
  section: string,
  name: string,
  hex: string,
  addressBytes = 6,
): BridgeRefusalVector {
  const bodyHex = plain(hex);
  const lineHex = onLine(bodyHex, "cobs");
  return { name, section, framing: "cobs", direction, addressBytes, bodyHex, lineHex, fault };
}

function fromHost(section: string, name: string, hex: string): BridgeRefusalVector {
  return refused("malformed", "to-bridge", section, name, hex);
}

function fromBridge(
  section: string,
  name: string,
  hex: string,
  addressBytes?: number,
): BridgeRefusalVector {
  return refused("malformed", "to-host", section, name, hex, addressBytes);
}

function hello(name: string, fields: string): BridgeRefusalVector {
  return fromBridge("5.1", `HELLO with ${name}`, `81 | ${fields}`, 0);
}

const NUMBERS = "9a3f0001 51c00001";
const END = "0380 00001f40 | 0200000000b1";

export const bridgeRefusalVectors = [
  refused("unknown-type", "to-bridge", "2", "type 00", "00"),
  refused("unknown-type", "to-bridge", "2", "type 08, perhaps of a later version", "08 | 01"),
  refused("unknown-type", "to-bridge", "3", "a frame of a bridge, for a bridge", "87 | 04 | 61"),
  refused("unknown-type", "to-host", "2", "type 88, perhaps of a later version", "88 | 01"),
  refused("unknown-type", "to-host", "3", "a frame of a host, for a host", "05 | 01"),
  fromHost("4.1", "HELLO? that is cut off", "01 | 01 | 01 | 9a3f00"),
  fromHost("4.1", "HELLO? of host 0", "01 | 01 | 01 | 00000000"),
  fromHost("4.1", "HELLO? of version 0", "01 | 00 | 01 | 9a3f0001"),
  fromHost("4.1", "HELLO? of versions from 2 to 1", "01 | 02 | 01 | 9a3f0001"),
  fromHost("4.2", "SEND with part of an address", "02 | 07 | 0200000000"),
  fromHost("4.2", "SEND without a token", "02"),
  fromHost("3", "SEND-AGAIN when no address is implied", "03 | 07 | 411a2b"),
  fromHost("4.3", "CHANNEL? of request 0", "04 | 00 | 06"),
  fromHost("4.3", "CHANNEL? of channel 0", "04 | 01 | 00"),
  fromHost("4.3", "CHANNEL? without a channel", "04 | 01"),
  fromHost("4.4", "STATUS? of request 0", "05 | 00"),
  fromHost("4.4", "STATISTICS? without a request", "06"),
  hello("part of what is in every version", `01 01 | 9a3f0001 51c000`),
  hello("part of the rest", `01 01 | ${NUMBERS} | 00fa 04 14 06 07 06 | 0380 00001f`),
  hello("version 0", `00 01 | ${NUMBERS} | 00fa 04 14 06 07 06 | ${END}`),
  hello("versions from 2 to 1", `02 01 | ${NUMBERS} | 00fa 04 14 06 07 06 | ${END}`),
  hello("bridge 0", `01 01 | 9a3f0001 00000000 | 00fa 04 14 06 07 06 | ${END}`),
  hello("mtuBytes 19", `01 01 | ${NUMBERS} | 0013 04 14 06 07 06 | ${END}`),
  hello("mtuBytes 1501", `01 01 | ${NUMBERS} | 05dd 04 14 06 07 06 | ${END}`),
  hello("queue 0", `01 01 | ${NUMBERS} | 00fa 00 14 06 07 06 | ${END}`),
  hello("queue 65", `01 01 | ${NUMBERS} | 00fa 41 14 06 07 06 | ${END}`),
  hello("addresses of 0 bytes", `01 01 | ${NUMBERS} | 00fa 04 14 00 07 06 | ${END}`),
  hello(
    "addresses of 19 bytes",
    `01 01 | ${NUMBERS} | 00fa 04 14 13 07 06 | ${END} | ${"61".repeat(40)}`,
  ),
  hello("part of its address", `01 01 | ${NUMBERS} | 00fa 04 14 07 07 06 | ${END}`),
  fromBridge("5.2", "RECEIVED with part of an address", "82 | 00 | c3 | 0200000000"),
  fromBridge("5.2", "RECEIVED before any HELLO", "82 | 00 | c3 | 020000000011 | 411a2b", 0),
  fromBridge("5.2", "RECEIVED-AGAIN when no address is implied", "83 | 00 | c3 | 411a2b"),
  fromBridge("5.3", "CHANNEL without a channel", "84 | 01 | 00"),
  fromBridge("5.3", "CHANNEL with result 4", "84 | 01 | 04 | 06"),
  fromBridge("5.4", "STATUS without nextToken", "85 | 00"),
  fromBridge("5.5", "STATISTICS without a request", "86"),
  fromBridge("5.5", "STATISTICS of request 0", "86 | 00 | 00000e10"),
  fromBridge("5.6", "LOG without a level", "87"),
];
