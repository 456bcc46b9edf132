import { describeDatagram } from "@fardel/core/wire";
import {
  type BridgeFacts,
  type BridgeFrame,
  decodeBridgeFrame,
  decodeHostFrame,
  type HostFrame,
} from "./bridge-frames.js";
import { statisticsOf } from "./bridge-statistics.js";
import { TYPE_NAMES } from "./frame-types.js";

/** Bytes that are printed as they are: enough to recognise something by. */
const HEX_BYTES_MAX = 16;
/** From here on types are the bridge's. */
const BRIDGE_TYPES = 0x80;
/** RFC 5424, section 6.2.1. */
const SEVERITIES = [
  "emergency",
  "alert",
  "critical",
  "error",
  "warning",
  "notice",
  "information",
  "debug",
] as const;
/** Short frames do not tell their address. */
const IMPLIED = new Uint8Array(0);

/**
 * The body of a frame of the host or of the bridge in one line of text, for logs and tools; a
 * datagram in it as `describeDatagram` puts it.
 *
 * Numbers that are drawn at random are hexadecimal, everything else is decimal.
 *
 * @param body - any bytes; what is wrong with them is said in the text, nothing is thrown
 * @param addressBytes - length of an address (A of BRIDGE.md)
 * @example
 * `SEND 7 to 02:00:00:00:00:11: short #…a1b2 ask now · data ch 0 fragment 1 whole, 2 bytes · crc 349e`
 */
export function describeBridgeFrame(body: Uint8Array, addressBytes = 6): string {
  const type = body[0];
  if (type === undefined) return "empty body";
  const isBridge = type >= BRIDGE_TYPES;
  const decoded = isBridge
    ? decodeBridgeFrame(body, addressBytes, IMPLIED)
    : decodeHostFrame(body, addressBytes, IMPLIED);
  const name = TYPE_NAMES.get(type) ?? `type ${hex(type, 2)}`;
  if (!decoded.ok) {
    return `${name} ${decoded.fault}, ${countBytes(body.length)}: ${hexOf(body)}`;
  }
  return `${name}${fieldsOf(decoded.value)}`;
}

function fieldsOf(frame: HostFrame | BridgeFrame): string {
  switch (frame.type) {
    case "hello-request":
      return ` ${versions(frame)}, host ${hex(frame.host, 8)}`;
    case "send": {
      const to = frame.again ? "" : ` to ${addressText(frame.to)}`;
      return ` ${frame.token}${to}: ${datagramText(frame.datagram)}`;
    }
    case "channel-request":
      return ` request ${frame.request}, channel ${frame.channel}`;
    case "status-request":
    case "statistics-request":
      return ` request ${frame.request}`;
    case "goodbye":
      return "";
    case "hello": {
      const host = frame.host === 0 ? "nobody asked" : `host ${hex(frame.host, 8)}`;
      const facts = frame.facts ? `, ${factsText(frame.facts)}` : "";
      return ` ${versions(frame)}, ${host}, bridge ${hex(frame.bridge, 8)}${facts}`;
    }
    case "received": {
      const from = frame.again ? "" : ` from ${addressText(frame.from)}`;
      const rssi = frame.rssiDbm === undefined ? "" : ` at ${frame.rssiDbm} dBm`;
      return ` ${frame.sequence}${from}${rssi}: ${datagramText(frame.datagram)}`;
    }
    case "channel":
      return ` ${requestText(frame.request)}, ${frame.result}, channel ${frame.channel}`;
    case "status": {
      const outcomes = frame.outcomes.map(({ token, outcome }) => `${token} ${outcome}`);
      return [` ${requestText(frame.request)}`, `next ${frame.nextToken}`, ...outcomes].join(", ");
    }
    case "statistics": {
      const counts = Object.entries(statisticsOf(frame.counts));
      const texts = counts.map(([name, count]) => `${name} ${count}`);
      return [` request ${frame.request}`, ...texts].join(", ");
    }
    case "log":
      return ` ${SEVERITIES[frame.level]}: ${quoted(frame.text)}`;
  }
}

function factsText(facts: BridgeFacts): string {
  const parts = [
    `mtu ${countBytes(facts.mtuBytes)}`,
    `queue ${facts.queue}`,
    facts.peersMax === 0 ? "no peer table" : `peer table ${facts.peersMax}`,
    `address ${addressText(facts.address)}`,
  ];
  if (facts.canBroadcast) parts.push("broadcasts");
  if (facts.canSetChannel) parts.push("sets channel");
  if (facts.tellsAcknowledgement) parts.push("tells acknowledgement");
  parts.push(facts.channel === 0 ? "channel unknown" : `channel ${facts.channel}`);
  if (facts.airtimeFixedUs > 0 || facts.airtimePerByteNs > 0) {
    parts.push(`airtime ${facts.airtimeFixedUs} us and ${facts.airtimePerByteNs} ns a byte`);
  }
  parts.push(quoted(facts.name));
  return parts.join(", ");
}

function versions(frame: { readonly versionMin: number; readonly versionMax: number }): string {
  return `versions ${frame.versionMin} to ${frame.versionMax}`;
}

function requestText(request: number): string {
  return request === 0 ? "unasked" : `request ${request}`;
}

function datagramText(datagram: Uint8Array): string {
  return datagram.length === 0 ? "empty" : describeDatagram(datagram);
}

function addressText(address: Uint8Array): string {
  return Array.from(address, (byte) => hex(byte, 2)).join(":");
}

/** In quotation marks; whatever a terminal might obey is escaped. */
function quoted(text: string): string {
  return JSON.stringify(text).replace(/[\p{C}\p{Zl}\p{Zp}]/gu, (character) => {
    return `\\u{${hex(character.codePointAt(0) ?? 0, 4)}}`;
  });
}

function hex(value: number, digits: number): string {
  return value.toString(16).padStart(digits, "0");
}

function hexOf(bytes: Uint8Array): string {
  const shown = Array.from(bytes.subarray(0, HEX_BYTES_MAX), (byte) => hex(byte, 2));
  if (bytes.length > HEX_BYTES_MAX) shown.push("…");
  return shown.join(" ");
}

/** The same on every machine: no locale is asked. */
function countBytes(count: number): string {
  const grouped = String(count).replace(/\B(?=(\d{3})+$)/g, ",");
  return count === 1 ? "1 byte" : `${grouped} bytes`;
}
