import type { ByteReader } from "../byte-reader.js";
import type { DataFrame } from "../data-frame.js";
import { MESSAGE_CRC_BYTES } from "../data-frame.js";
import { describeFrame } from "../describe.js";
import { decodeFrame, type Frame } from "../frames.js";
import type { LooseFrame } from "../loose-frame.js";
import { arrivedRanges, closeReason, countBytes, hex, stopReason } from "../wording.js";
import { type DatagramPart, PartBuilder } from "./part.js";

/**
 * Takes apart the frame at the position of `input`, and moves behind it.
 *
 * @param from - offset of the first frame of the datagram
 * @returns the fault in a word if it cannot be read; the position stays then
 */
export function dissectFrame(input: ByteReader, from: number): DatagramPart | string {
  const start = input.at;
  const frame = decodeFrame(input, from);
  if (typeof frame === "string") {
    input.at = start;
    return frame;
  }
  const part = new PartBuilder(input.bytes, start, SECTIONS[frame.type]);
  addFields(part, frame, input.at);
  return part.done(frame.type, describeFrame(frame));
}

const SECTIONS: Readonly<Record<Frame["type"], string>> = {
  data: "3.2",
  ack: "3.3",
  skip: "3.4",
  stop: "3.4",
  hello: "3.5",
  close: "3.6",
  "no-session": "3.6",
  loose: "3.7",
  extension: "3.8",
};

/** @param end - offset behind the frame */
function addFields(part: PartBuilder, frame: Frame, end: number): void {
  switch (frame.type) {
    case "data":
      addData(part, frame, end);
      break;
    case "ack":
      addType(part, "ACK: what has arrived", frame.channel);
      part
        .number("largest", 2, () => "low 16 bits of the greatest datagram number received")
        .number("next", 2, (next) => `fragment ${next} is the first one still missing`)
        .number("window", 1, windowWords)
        .bits("p", 0x80, (p) => (p ? "sent at once, as it was asked for" : "not sent at once"))
        .bits("t", 0x40, (t) => (t ? "cut: of more nothing is known" : "complete"))
        .bits("len", 0x3f, (len) => `${countBytes(len)} of map follow`)
        .skipByte()
        .raw("map", frame.map.length, `arrived besides: ${arrivedRanges(frame.next, frame.map)}`);
      break;
    case "skip":
      addType(part, "SKIP: something was given up", frame.channel);
      part.number("next", 2, (next) => `nothing before fragment ${next} is sent any more`);
      break;
    case "stop":
      addType(part, "STOP: a message is not taken", frame.channel);
      part
        .number("first", 2, (first) => `the message that begins with fragment ${first}`)
        .number("reason", 1, stopReason);
      break;
    case "hello":
      part
        .bits("type", 0xf0, () => "HELLO: what its sender can take")
        .bits("v", 0x0f, (v) => `speaks version ${v}`)
        .skipByte()
        .number("mtu", 2, (mtu) => `takes datagrams of up to ${countBytes(mtu)}`)
        .number("window", 1, windowWords);
      break;
    case "close":
      part.number("type", 1, () => "CLOSE: the session ends now").number("reason", 1, closeReason);
      break;
    case "no-session":
      part.number("type", 1, () => "NO-SESSION: there is none under the token it was sent to");
      break;
    case "loose":
      addLoose(part, frame, end);
      break;
    case "extension":
      part
        .bits("type", 0xf0, () => "extension: passed over if it is not known")
        .bits("kind", 0x0f, (kind) => `kind ${kind}`)
        .skipByte()
        .number("length", 1, (length) => `${countBytes(length)} follow`)
        .raw("bytes", frame.bytes.length, countBytes(frame.bytes.length));
      break;
  }
}

function addType(part: PartBuilder, words: string, channel: number): void {
  part
    .bits("type", 0xf0, () => words)
    .bits("channel", 0x0f, () => `channel ${channel}`)
    .skipByte();
}

function windowWords(window: number): string {
  return window === 0 ? "closed: nothing is taken" : `${window} fragments from there are taken`;
}

function addData(part: PartBuilder, frame: DataFrame, end: number): void {
  const { channel, fragment, first, last, total, crc32, bytes } = frame;
  const hasLength = ((part.bytes[part.at] ?? 0) & 0x10) !== 0;
  part
    .bits("type", 0x80, () => "DATA: a fragment of a message")
    .bits("f", 0x40, (f) => (f ? "first fragment of its message" : "not the first fragment"))
    .bits("l", 0x20, (l) => (l ? "last fragment of its message" : "not the last fragment"))
    .bits("e", 0x10, (e) => (e ? "a length follows" : "runs to the checksum"))
    .bits("channel", 0x0f, () => `channel ${channel}`)
    .skipByte()
    .value("fragment", 2, fragment, `number ${fragment} on its channel`);
  const crcBytes = last && !first ? MESSAGE_CRC_BYTES : 0;
  if (hasLength) addVarint(part, "length", (size) => `${countBytes(size)} follow`);
  if (first && !last) {
    const words = total === 0 ? "length of the message: not told" : "length of the message, bytes";
    addVarint(part, "total", () => words);
  }
  addBytes(part, bytes, end, crcBytes, crc32);
}

function addLoose(part: PartBuilder, frame: LooseFrame, end: number): void {
  const { fragmented, id, index, last, crc32, bytes } = frame;
  const hasLength = ((part.bytes[part.at] ?? 0) & 0x08) !== 0;
  part
    .bits("type", 0xf0, () => "LOOSE: sent once, never acknowledged")
    .bits("e", 0x08, (e) => (e ? "a length follows" : "runs to the checksum"))
    .bits("fragmented", 0x04, (yes) => (yes ? "a fragment of a message" : "a whole message"))
    .bits("lane", 0x03, (lane) => `lane ${lane}`)
    .skipByte();
  if (fragmented) {
    part
      .value("id", 2, id, `message ${id} of its lane`)
      .bits("last", 0x80, () => (last ? "last fragment" : "not the last fragment"))
      .bits("index", 0x7f, () => `place ${index} in the message`)
      .skipByte();
  }
  if (hasLength) addVarint(part, "length", (size) => `${countBytes(size)} follow`);
  addBytes(part, bytes, end, fragmented && last ? MESSAGE_CRC_BYTES : 0, crc32);
}

function addBytes(
  part: PartBuilder,
  bytes: Uint8Array,
  end: number,
  crcBytes: number,
  crc32: number,
): void {
  part.raw("bytes", end - crcBytes - part.at, `${countBytes(bytes.length)} of the caller's`);
  if (crcBytes > 0)
    part.value("crc32", crcBytes, crc32, `CRC-32 of the whole message: ${hex(crc32, 8)}`);
}

/** The frame has been decoded: the number is whole. RFC 9000, section 16. */
function addVarint(part: PartBuilder, name: string, words: (value: number) => string): void {
  const first = part.bytes[part.at] ?? 0;
  const size = 1 << (first >>> 6);
  let value = first & 0x3f;
  for (let index = 1; index < size; index++) {
    value = value * 256 + (part.bytes[part.at + index] ?? 0);
  }
  part.value(name, size, value, words(value));
}
