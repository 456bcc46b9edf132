import type { BridgeFrame, ChannelResult, Decoded, TokenOutcome } from "./bridge-frames.js";
import { joinBytes, readText, readU32, textBytes, u8, u32Bytes, within } from "./fields.js";
import { TYPE } from "./frame-types.js";
import { decodeHello, encodeHello } from "./hello-codec.js";
import {
  ADDRESS_BYTES_MAX,
  HOST_BODY_BYTES_MIN,
  LOG_BYTES_MAX,
  LOG_LEVEL_MAX,
  QUEUE_MAX,
} from "./limits.js";

type ReceivedFrame = Extract<BridgeFrame, { type: "received" }>;
type StatusFrame = Extract<BridgeFrame, { type: "status" }>;
type StatisticsFrame = Extract<BridgeFrame, { type: "statistics" }>;

/** On the wire from 1 on. @see BRIDGE.md, section 5.4 */
export const OUTCOMES: readonly TokenOutcome[] = [
  "sent",
  "acknowledged",
  "not-acknowledged",
  "queue-full",
  "lost-on-line",
  "unknown",
  "not-taken",
];
/** On the wire from 0 on. @see BRIDGE.md, section 5.3 */
export const CHANNEL_RESULTS: readonly ChannelResult[] = ["set", "not-allowed", "busy", "cannot"];
/** Stands for "not known". @see BRIDGE.md, section 5.2 */
const RSSI_UNKNOWN = -128;
const COUNT_BYTES = 4;
/** So many always fit into a body. */
const COUNTS_MAX = (HOST_BODY_BYTES_MIN - 2) / COUNT_BYTES;
const MALFORMED = { ok: false, fault: "malformed" } as const;

/**
 * The body of a frame of the bridge. Texts that are too long are shortened, an RSSI beyond -127 or
 * 127 dBm is moved there.
 * @throws RangeError for any other value that the frame cannot hold: our own mistake
 * @see BRIDGE.md, section 5
 */
export function encodeBridgeFrame(frame: BridgeFrame): Uint8Array {
  switch (frame.type) {
    case "hello":
      return encodeHello(frame);
    case "received":
      return encodeReceived(frame);
    case "channel": {
      const result = u8("result", CHANNEL_RESULTS.indexOf(frame.result));
      const request = u8("request", frame.request);
      return Uint8Array.of(TYPE.channel, request, result, u8("channel", frame.channel));
    }
    case "status":
      return encodeStatus(frame);
    case "statistics":
      return encodeStatistics(frame);
    case "log": {
      const level = u8("level", frame.level, 0, LOG_LEVEL_MAX);
      return joinBytes([TYPE.log, level], textBytes(frame.text, LOG_BYTES_MAX));
    }
  }
}

/**
 * Reads the body of a frame of the bridge. Addresses and datagrams in RECEIVED are views of `body`.
 * @param body - any bytes
 * @param addressBytes - length of an address (A); 0 as long as no HELLO has told it
 * @param impliedFrom - the address that RECEIVED-AGAIN means, if there is one yet
 */
export function decodeBridgeFrame(
  body: Uint8Array,
  addressBytes: number,
  impliedFrom: Uint8Array | undefined,
): Decoded<BridgeFrame> {
  switch (body[0]) {
    case TYPE.hello:
      return decodeHello(body);
    case TYPE.received:
    case TYPE.receivedAgain:
      return decodeReceived(body, addressBytes, impliedFrom);
    case TYPE.channel:
      return decodeChannel(body);
    case TYPE.status:
      return decodeStatus(body);
    case TYPE.statistics:
      return decodeStatistics(body);
    case TYPE.log:
      return decodeLog(body);
    default:
      return { ok: false, fault: "unknown-type" };
  }
}

function encodeReceived(frame: ReceivedFrame): Uint8Array {
  const sequence = u8("sequence", frame.sequence);
  const rssi = rssiByte(frame.rssiDbm);
  if (frame.again) return joinBytes([TYPE.receivedAgain, sequence, rssi], frame.datagram);
  within("from.length", frame.from.length, 1, ADDRESS_BYTES_MAX);
  return joinBytes([TYPE.received, sequence, rssi], frame.from, frame.datagram);
}

/** What a radio reports is no mistake of ours, however odd. */
function rssiByte(dbm: number | undefined): number {
  if (dbm === undefined || Number.isNaN(dbm)) return RSSI_UNKNOWN & 0xff;
  return Math.max(-127, Math.min(127, Math.round(dbm))) & 0xff;
}

function decodeReceived(
  body: Uint8Array,
  addressBytes: number,
  impliedFrom: Uint8Array | undefined,
): Decoded<ReceivedFrame> {
  const again = body[0] === TYPE.receivedAgain;
  const datagramAt = again ? 3 : 3 + addressBytes;
  const from = again ? impliedFrom : body.subarray(3, datagramAt);
  if (body.length < datagramAt || addressBytes === 0 || !from) return MALFORMED;
  const rssi = (body[2]! << 24) >> 24;
  return {
    ok: true,
    value: {
      type: "received",
      sequence: body[1]!,
      rssiDbm: rssi === RSSI_UNKNOWN ? undefined : rssi,
      from,
      datagram: body.subarray(datagramAt),
      again,
    },
  };
}

function decodeChannel(body: Uint8Array): Decoded<BridgeFrame> {
  if (body.length < 4) return MALFORMED;
  const result = CHANNEL_RESULTS[body[2]!];
  if (!result) return MALFORMED;
  return { ok: true, value: { type: "channel", request: body[1]!, result, channel: body[3]! } };
}

function encodeStatus(frame: StatusFrame): Uint8Array {
  within("outcomes.length", frame.outcomes.length, 0, QUEUE_MAX);
  const pairs = frame.outcomes.flatMap(({ token, outcome }) => [
    u8("token", token),
    u8("outcome", OUTCOMES.indexOf(outcome) + 1, 1),
  ]);
  const request = u8("request", frame.request);
  return Uint8Array.of(TYPE.status, request, u8("nextToken", frame.nextToken), ...pairs);
}

function decodeStatus(body: Uint8Array): Decoded<StatusFrame> {
  if (body.length < 3) return MALFORMED;
  const outcomes: { token: number; outcome: TokenOutcome }[] = [];
  for (let at = 3; at + 1 < body.length; at += 2) {
    outcomes.push({ token: body[at]!, outcome: OUTCOMES[body[at + 1]! - 1] ?? "unknown" });
  }
  return {
    ok: true,
    value: { type: "status", request: body[1]!, nextToken: body[2]!, outcomes },
  };
}

function encodeStatistics(frame: StatisticsFrame): Uint8Array {
  within("counts.length", frame.counts.length, 0, COUNTS_MAX);
  // Counts wrap.
  const counts = frame.counts.flatMap((count) => u32Bytes("count", count % 2 ** 32));
  return Uint8Array.of(TYPE.statistics, u8("request", frame.request, 1), ...counts);
}

function decodeStatistics(body: Uint8Array): Decoded<StatisticsFrame> {
  const request = body[1];
  if (!request) return MALFORMED;
  const counts: number[] = [];
  for (let at = 2; at + COUNT_BYTES <= body.length; at += COUNT_BYTES) {
    counts.push(readU32(body, at));
  }
  return { ok: true, value: { type: "statistics", request, counts } };
}

/** A level that RFC 5424 does not have is taken as the least severe. */
function decodeLog(body: Uint8Array): Decoded<BridgeFrame> {
  if (body.length < 2) return MALFORMED;
  const level = Math.min(body[1]!, LOG_LEVEL_MAX);
  return {
    ok: true,
    value: { type: "log", level, text: readText(body.subarray(2), LOG_BYTES_MAX) },
  };
}
