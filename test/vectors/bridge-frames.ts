/** Every frame of BRIDGE.md, section 5. */
import { DATAGRAM, frameVector, type More, STATION } from "./bridge-frame-vector.js";
import { hostFrames } from "./bridge-host-frames.js";
import type { BridgeFrameJson, BridgeFrameVector } from "./bridge-vector.js";

function bridge(...rest: [string, string, string, BridgeFrameJson, More?]): BridgeFrameVector {
  return frameVector("to-host", ...rest);
}

function received(
  sequence: number,
  rssiDbm: number | null,
  from: string,
  datagram: string,
  again = false,
): BridgeFrameJson {
  return { type: "received", sequence, rssiDbm, from, datagram, again };
}

type Outcome = [token: number, outcome: string];

function status(request: number, nextToken: number, ...outcomes: Outcome[]): BridgeFrameJson {
  const pairs = outcomes.map(([token, outcome]) => ({ token, outcome }));
  return { type: "status", request, nextToken, outcomes: pairs };
}

const FACTS = {
  mtuBytes: 250,
  queue: 4,
  peersMax: 20,
  canBroadcast: true,
  canSetChannel: true,
  tellsAcknowledgement: true,
  channel: 6,
  airtimeFixedUs: 896,
  airtimePerByteNs: 8000,
  address: "0200000000b1",
  name: "orchard bridge",
};
const NAME = "6f72636861726420627269646765";
const VERSION_1 = { type: "hello", versionMin: 1, versionMax: 1 } as const;

const hellos = [
  bridge(
    "5.1",
    "HELLO",
    `81 | 01 01 | 9a3f0001 51c00001 | 00fa 04 14 06 07 06 | 0380 00001f40 | 0200000000b1 | ${NAME}`,
    { ...VERSION_1, host: "9a3f0001", bridge: "51c00001", facts: FACTS },
    { addressBytes: 0 },
  ),
  bridge(
    "5.1",
    "HELLO at boot, of a bridge that can and knows little",
    "81 | 01 01 | 00000000 00000001 | 0014 01 00 01 00 00 | 0000 00000000 | 2a",
    {
      ...VERSION_1,
      host: "00000000",
      bridge: "00000001",
      facts: {
        mtuBytes: 20,
        queue: 1,
        peersMax: 0,
        canBroadcast: false,
        canSetChannel: false,
        tellsAcknowledgement: false,
        channel: 0,
        airtimeFixedUs: 0,
        airtimePerByteNs: 0,
        address: "2a",
        name: "",
      },
    },
    { addressBytes: 0 },
  ),
  bridge(
    "5.1",
    "HELLO with the largest values",
    `81 | 01 ff | ffffffff ffffffff | 05dc 40 ff 12 05 ff | ffff ffffffff | ${"fe".repeat(18)} | ${"c3a9".repeat(32)}`,
    {
      ...VERSION_1,
      versionMax: 255,
      host: "ffffffff",
      bridge: "ffffffff",
      facts: {
        mtuBytes: 1500,
        queue: 64,
        peersMax: 255,
        canBroadcast: true,
        canSetChannel: false,
        tellsAcknowledgement: true,
        channel: 255,
        airtimeFixedUs: 65_535,
        airtimePerByteNs: 4_294_967_295,
        address: "fe".repeat(18),
        name: "é".repeat(32),
      },
    },
    { addressBytes: 0 },
  ),
  bridge(
    "5.1",
    "HELLO with abilities that are not known",
    `81 | 01 01 | 9a3f0001 51c00001 | 00fa 04 14 06 fa 06 | 0380 00001f40 | 0200000000b1 | ${NAME}`,
    {
      ...VERSION_1,
      host: "9a3f0001",
      bridge: "51c00001",
      facts: { ...FACTS, canBroadcast: false, tellsAcknowledgement: false },
    },
    { addressBytes: 0, canonical: false },
  ),
  bridge(
    "5.1",
    "HELLO of later versions only: what follows bridge may mean anything",
    "81 | 02 03 | 9a3f0001 51c00001 | 0000 00",
    {
      ...VERSION_1,
      versionMin: 2,
      versionMax: 3,
      host: "9a3f0001",
      bridge: "51c00001",
      facts: null,
    },
    { addressBytes: 0, canonical: false },
  ),
];

const bridgeFrames = [
  bridge(
    "5.2",
    "RECEIVED",
    `82 | 00 | c3 | ${STATION} | ${DATAGRAM}`,
    received(0, -61, STATION, DATAGRAM),
  ),
  bridge(
    "5.2",
    "RECEIVED, RSSI not known",
    `82 | ff | 80 | ${STATION} | ${DATAGRAM}`,
    received(255, null, STATION, DATAGRAM),
  ),
  bridge(
    "5.2",
    "RECEIVED, the least RSSI",
    `82 | 01 | 81 | ${STATION} | ${DATAGRAM}`,
    received(1, -127, STATION, DATAGRAM),
  ),
  bridge(
    "5.2",
    "RECEIVED, a positive RSSI",
    `82 | 02 | 05 | ${STATION} | ${DATAGRAM}`,
    received(2, 5, STATION, DATAGRAM),
  ),
  bridge("5.2", "RECEIVED of no bytes", `82 | 03 | c0 | ${STATION}`, received(3, -64, STATION, "")),
  bridge(
    "3",
    "RECEIVED-AGAIN: the CRC covers the address, too",
    `83 | 04 | c3 | ${DATAGRAM}`,
    received(4, -61, STATION, DATAGRAM, true),
    { impliedHex: STATION },
  ),
  bridge(
    "3",
    "RECEIVED-AGAIN by SLIP",
    `83 | 04 | c0 | ${DATAGRAM}`,
    received(4, -64, STATION, DATAGRAM, true),
    { framing: "slip", impliedHex: STATION },
  ),
  bridge("5.3", "CHANNEL set", "84 | 09 | 00 | 0b", {
    type: "channel",
    request: 9,
    result: "set",
    channel: 11,
  }),
  bridge("5.3", "CHANNEL not allowed", "84 | 0a | 01 | 06", {
    type: "channel",
    request: 10,
    result: "not-allowed",
    channel: 6,
  }),
  bridge("5.3", "CHANNEL busy", "84 | 0b | 02 | 06", {
    type: "channel",
    request: 11,
    result: "busy",
    channel: 6,
  }),
  bridge("5.3", "CHANNEL cannot be set", "84 | 0c | 03 | 00", {
    type: "channel",
    request: 12,
    result: "cannot",
    channel: 0,
  }),
  bridge("5.3", "CHANNEL that changed by itself", "84 | 00 | 00 | 01", {
    type: "channel",
    request: 0,
    result: "set",
    channel: 1,
  }),
  bridge("5.4", "STATUS without outcomes", "85 | 01 | 00", status(1, 0)),
  bridge(
    "5.4",
    "STATUS that nobody asked for",
    "85 | 00 | 03 | 02 02 | 00 05 | 01 01 | ff 03",
    status(0, 3, [2, "acknowledged"], [0, "lost-on-line"], [1, "sent"], [255, "not-acknowledged"]),
  ),
  bridge(
    "5.4",
    "STATUS with the other outcomes",
    "85 | 07 | 04 | 03 04 | 02 06 | 01 07",
    status(7, 4, [3, "queue-full"], [2, "unknown"], [1, "not-taken"]),
  ),
  bridge(
    "5.4",
    "STATUS with outcomes that do not exist: unknown",
    "85 | 00 | 03 | 02 00 | 01 08 | 00 ff",
    status(0, 3, [2, "unknown"], [1, "unknown"], [0, "unknown"]),
    { canonical: false },
  ),
  bridge(
    "5.4",
    "STATUS with half a pair: ignored",
    "85 | 00 | 03 | 02 01 | 01",
    status(0, 3, [2, "sent"]),
    { canonical: false },
  ),
  bridge(
    "5.5",
    "STATISTICS, all counts",
    `86 | 05 | 00000e10 ${Array.from({ length: 12 }, (_, index) => `0000000${(index + 1).toString(16)}`).join(" ")}`,
    {
      type: "statistics",
      request: 5,
      counts: [3600, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12],
    },
  ),
  bridge("5.5", "STATISTICS that end early", "86 | 05 | 00000e10 ffffffff", {
    type: "statistics",
    request: 5,
    counts: [3600, 4_294_967_295],
  }),
  bridge("5.5", "STATISTICS without counts", "86 | 05", {
    type: "statistics",
    request: 5,
    counts: [],
  }),
  bridge(
    "5.5",
    "STATISTICS with part of a count: ignored",
    "86 | 05 | 00000e10 0000",
    { type: "statistics", request: 5, counts: [3600] },
    { canonical: false },
  ),
  bridge("5.6", "LOG", "87 | 04 | 66616e20372073746f70706564", {
    type: "log",
    level: 4,
    text: "fan 7 stopped",
  }),
  bridge(
    "5.6",
    "LOG of no text, before any HELLO",
    "87 | 06",
    { type: "log", level: 6, text: "" },
    {
      addressBytes: 0,
    },
  ),
  bridge(
    "5.6",
    "LOG that is no UTF-8: U+FFFD",
    "87 | 07 | 61 ff 62",
    { type: "log", level: 7, text: "a\ufffdb" },
    { canonical: false },
  ),
];

export const bridgeFrameVectors = [...hostFrames, ...hellos, ...bridgeFrames];
