/** Every frame of BRIDGE.md, section 4. */
import { DATAGRAM, frameVector, type More, STATION } from "./bridge-frame-vector.js";
import type { BridgeFrameJson, BridgeFrameVector } from "./bridge-vector.js";

function host(...rest: [string, string, string, BridgeFrameJson, More?]): BridgeFrameVector {
  return frameVector("to-bridge", ...rest);
}

function send(token: number, to: string, datagram: string, again = false): BridgeFrameJson {
  return { type: "send", token, to, datagram, again };
}

/** Bytes that COBS need not stuff. */
function fives(count: number): string {
  return "55".repeat(count);
}

export const hostFrames = [
  host("4.1", "HELLO?", "01 | 01 | 01 | 9a3f0001", {
    type: "hello-request",
    versionMin: 1,
    versionMax: 1,
    host: "9a3f0001",
  }),
  host("4.1", "HELLO? of later versions", "01 | 01 | 07 | ffffffff", {
    type: "hello-request",
    versionMin: 1,
    versionMax: 7,
    host: "ffffffff",
  }),
  host(
    "2",
    "HELLO? with bytes that a later version adds",
    "01 | 01 | 02 | 00000001 | beef",
    { type: "hello-request", versionMin: 1, versionMax: 2, host: "00000001" },
    { canonical: false },
  ),
  host("4.2", "SEND", `02 | 07 | ${STATION} | ${DATAGRAM}`, send(7, STATION, DATAGRAM)),
  host(
    "4.2",
    "SEND to everybody",
    `02 | ff | ffffffffffff | ${DATAGRAM}`,
    send(255, "ffffffffffff", DATAGRAM),
  ),
  host("4.2", "SEND of no bytes", `02 | 00 | ${STATION}`, send(0, STATION, "")),
  host(
    "4.2",
    "SEND, addresses of one byte",
    `02 | 01 | 2a | ${DATAGRAM}`,
    send(1, "2a", DATAGRAM),
    { addressBytes: 1 },
  ),
  host(
    "4.2",
    "SEND, addresses of 18 bytes",
    `02 | 01 | 20010db8000000000000000000000001 1f90 | ${DATAGRAM}`,
    send(1, "20010db80000000000000000000000011f90", DATAGRAM),
    { addressBytes: 18 },
  ),
  host(
    "2",
    "SEND of zeros",
    `02 | 00 | 000000000000 | ${"00".repeat(12)}`,
    send(0, "000000000000", "00".repeat(12)),
  ),
  host(
    "2",
    "SEND, 254 bytes with its CRC, none of them zero: one group of COBS",
    `02 | 11 | 1a2b3c4d5e6f | ${fives(244)}`,
    send(0x11, "1a2b3c4d5e6f", fives(244)),
  ),
  host(
    "2",
    "SEND of 250 bytes, none of them zero: two groups of COBS",
    `02 | 11 | 1a2b3c4d5e6f | ${fives(250)}`,
    send(0x11, "1a2b3c4d5e6f", fives(250)),
  ),
  host(
    "2",
    "SEND by SLIP, of bytes that it escapes",
    `02 | c0 | ${STATION} | c0 db dc dd 00 c0c0 dbdb`,
    send(0xc0, STATION, "c0dbdcdd00c0c0dbdb"),
    { framing: "slip" },
  ),
  host(
    "3",
    "SEND-AGAIN: the CRC covers the address, too",
    `03 | 08 | ${DATAGRAM}`,
    send(8, STATION, DATAGRAM, true),
    { impliedHex: STATION },
  ),
  host(
    "3",
    "SEND-AGAIN, another address, the same body: another CRC",
    `03 | 08 | ${DATAGRAM}`,
    send(8, "020000000012", DATAGRAM, true),
    { impliedHex: "020000000012" },
  ),
  host("3", "SEND-AGAIN by SLIP", `03 | db | ${DATAGRAM}`, send(0xdb, STATION, DATAGRAM, true), {
    framing: "slip",
    impliedHex: STATION,
  }),
  host("4.3", "CHANNEL?", "04 | 09 | 0b", { type: "channel-request", request: 9, channel: 11 }),
  host("4.4", "STATUS?", "05 | 01", { type: "status-request", request: 1 }),
  host("4.4", "STATISTICS?", "06 | ff", { type: "statistics-request", request: 255 }),
  host("4.5", "GOODBYE", "07", { type: "goodbye" }),
  host("4.5", "GOODBYE by SLIP", "07", { type: "goodbye" }, { framing: "slip" }),
];
