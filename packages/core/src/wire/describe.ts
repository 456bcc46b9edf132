import type { AckFrame } from "./ack-frame.js";
import { ByteReader } from "./byte-reader.js";
import type { DataFrame } from "./data-frame.js";
import { crcMatches } from "./datagram.js";
import { TYPE_PAD } from "./frame-type.js";
import { decodeFrame, type Frame } from "./frames.js";
import {
  CRC_BYTES,
  decodeHead,
  decodeProtectedHead,
  type Head,
  isProtected,
  TAG_BYTES,
} from "./head.js";
import type { LooseFrame } from "./loose-frame.js";
import {
  isSessionless,
  isSessionlessSound,
  SESSIONLESS_AROUND_BYTES,
} from "./sessionless-datagram.js";
import {
  ASK_WORDS,
  arrivedRanges,
  closeReason,
  countBytes,
  hex,
  hexOf,
  KIND_WORDS,
  stopReason,
} from "./wording.js";

/**
 * A datagram in one line of text, for logs and tools: each field in words and numbers.
 *
 * Datagram numbers, tokens and checksums are hexadecimal, everything else is decimal. The CRC-16 is
 * judged in the long form only: in the short form it depends on what is not in the datagram.
 *
 * @param bytes - any bytes; what is wrong with them is said in the text, nothing is thrown
 * @example
 * `short #…1a2b ask now · data ch 0 fragment 513 first of 12,288 bytes, 240 bytes · crc 906e`
 */
export function describeDatagram(bytes: Uint8Array): string {
  if (isSessionless(bytes) && bytes.length >= SESSIONLESS_AROUND_BYTES)
    return describeSessionless(bytes);
  const isSecret = isProtected(bytes);
  const head = isSecret ? decodeProtectedHead(bytes) : decodeHead(bytes);
  const secret = isSecret ? "protected, " : "";
  if (!head.ok) return `${secret}${head.fault}, ${countBytes(bytes.length)}: ${hexOf(bytes)}`;
  if (isSecret) return describeProtected(bytes, head.value);
  const to = bytes.length - CRC_BYTES;
  const parts = [describeHead(head.value)];
  describeFrames(bytes, head.value.headBytes, to, parts);
  parts.push(describeCrc(bytes, head.value, bytes[to]! | (bytes[to + 1]! << 8)));
  return parts.join(" · ");
}

function describeProtected(bytes: Uint8Array, head: Head): string {
  const to = bytes.length - TAG_BYTES;
  const parts = [`protected ${describeHead(head)}`];
  if (head.form === "long" && head.salt) parts.push(`salt ${hexOf(head.salt)}`);
  parts.push(`${countBytes(to - head.headBytes)} encrypted`, `tag ${hexOf(bytes.subarray(to))}`);
  return parts.join(" · ");
}

function describeSessionless(bytes: Uint8Array): string {
  const kind = bytes[1]!;
  const body = bytes.subarray(2, bytes.length - CRC_BYTES);
  const crc = bytes.at(-2)! | (bytes.at(-1)! << 8);
  const word = KIND_WORDS[kind] ?? `kind ${kind}`;
  const isSound = isSessionlessSound(bytes) ? "good" : "wrong";
  return `without session · ${word}, ${countBytes(body.length)}: ${hexOf(body)} · crc ${hex(crc, 4)} ${isSound}`;
}

/** A frame in words and numbers, as in {@link describeDatagram}. */
export function describeFrame(frame: Frame): string {
  switch (frame.type) {
    case "data":
      return describeData(frame);
    case "ack":
      return describeAck(frame);
    case "skip":
      return `skip ch ${frame.channel} to fragment ${frame.next}`;
    case "stop":
      return `stop ch ${frame.channel} fragment ${frame.first}, ${stopReason(frame.reason)}`;
    case "hello":
      return `hello version ${frame.version} mtu ${countBytes(frame.mtuBytes)} window ${frame.window}`;
    case "close":
      return `close, ${closeReason(frame.reason)}`;
    case "no-session":
      return "no session";
    case "loose":
      return describeLoose(frame);
    case "extension":
      return `extension ${frame.kind}, ${countBytes(frame.bytes.length)}: ${hexOf(frame.bytes)}`;
  }
}

function describeHead(head: Head): string {
  const ask = `ask ${ASK_WORDS[head.ask]}`;
  if (head.form === "short") return `short #…${hex(head.numberLow, 4)} ${ask}`;
  const tokens = `from ${hex(head.tokenFrom, 8)} to ${hex(head.tokenTo, 8)}`;
  return `long ${tokens} #${hex(head.number, 8)} ${ask}`;
}

function describeFrames(bytes: Uint8Array, from: number, to: number, parts: string[]): void {
  const input = new ByteReader(bytes, from, to);
  while (input.left > 0) {
    const start = input.at;
    while (input.left > 0 && bytes[input.at] === TYPE_PAD) input.at++;
    if (input.at > start) {
      parts.push(`pad ${countBytes(input.at - start)}`);
      continue;
    }
    const frame = decodeFrame(input, from);
    if (typeof frame === "string") {
      parts.push(`${frame} at byte ${start}: ${hexOf(bytes.subarray(start, to))}`);
      return;
    }
    parts.push(describeFrame(frame));
  }
}

function describeCrc(bytes: Uint8Array, head: Head, crc: number): string {
  const text = `crc ${hex(crc, 4)}`;
  if (head.form === "short") return text;
  return crcMatches(bytes, head.tokenTo, head.tokenFrom, head.number)
    ? `${text} good`
    : `${text} wrong`;
}

function describeData(frame: DataFrame): string {
  const { channel, fragment, first, last, bytes } = frame;
  let place = "middle";
  if (first && last) place = "whole";
  else if (first) place = frame.total === 0 ? "first" : `first of ${countBytes(frame.total)}`;
  else if (last) place = "last";
  const text = `data ch ${channel} fragment ${fragment} ${place}, ${countBytes(bytes.length)}`;
  return last && !first ? `${text}, message crc ${hex(frame.crc32, 8)}` : text;
}

function describeLoose(frame: LooseFrame): string {
  const size = countBytes(frame.bytes.length);
  if (!frame.fragmented) return `loose lane ${frame.lane} whole, ${size}`;
  const text = `loose lane ${frame.lane} id ${frame.id} fragment ${frame.index}`;
  return frame.last
    ? `${text} last, ${size}, message crc ${hex(frame.crc32, 8)}`
    : `${text}, ${size}`;
}

function describeAck(frame: AckFrame): string {
  const { channel, largest, next, window, map } = frame;
  let text = `ack ch ${channel} up to #…${hex(largest, 4)} next ${next} window ${window}`;
  if (frame.prompt) text += " prompt";
  if (map.length > 0) text += `, map ${countBytes(map.length)} has ${arrivedRanges(next, map)}`;
  if (frame.truncated) text += ", map cut";
  return text;
}
