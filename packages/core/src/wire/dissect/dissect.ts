import { ByteReader } from "../byte-reader.js";
import { crcMatches } from "../datagram.js";
import { TYPE_PAD } from "../frame-type.js";
import { decodeFrames, type Frame } from "../frames.js";
import {
  CRC_BYTES,
  decodeHead,
  decodeProtectedHead,
  type Head,
  isProtected,
  TAG_BYTES,
} from "../head.js";
import { isSessionless, SESSIONLESS_AROUND_BYTES } from "../sessionless-datagram.js";
import { ASK_WORDS, countBytes, hex } from "../wording.js";
import { dissectFrame } from "./frame-part.js";
import { type DatagramPart, PartBuilder, plainPart } from "./part.js";
import { dissectSessionless } from "./sessionless-part.js";

/** A plain datagram of a session, taken apart: values, not words. */
export interface ReadDatagram {
  readonly head: Head;
  /** Bytes in them are views into the datagram. */
  readonly frames: readonly Frame[];
}

/**
 * The head and the frames of a plain datagram. The CRC is not judged: in the short form it depends
 * on what is not in the datagram.
 *
 * @param bytes - any bytes
 * @returns `undefined` if it is protected, without session, or cannot be read
 */
export function readDatagram(bytes: Uint8Array): ReadDatagram | undefined {
  const head = decodeHead(bytes);
  if (!head.ok) return undefined;
  const frames = decodeFrames(bytes, head.value.headBytes, bytes.length - CRC_BYTES);
  return frames.ok ? { head: head.value, frames: frames.value } : undefined;
}

/**
 * A datagram field by field, each with its bytes, its value in words, and the section of PROTOCOL.md
 * that says more: for tools that show bytes to people.
 *
 * @param bytes - any bytes; what is wrong with them is said in a part `unreadable`, nothing is thrown
 * @returns parts in the order of their bytes; together they cover the datagram
 */
export function dissectDatagram(bytes: Uint8Array): DatagramPart[] {
  if (isSessionless(bytes) && bytes.length >= SESSIONLESS_AROUND_BYTES)
    return dissectSessionless(bytes);
  const isSecret = isProtected(bytes);
  const head = isSecret ? decodeProtectedHead(bytes) : decodeHead(bytes);
  if (!head.ok) {
    const words = `${isSecret ? "protected, " : ""}${head.fault}, ${countBytes(bytes.length)}`;
    return [plainPart(bytes, 0, bytes.length, "2", "unreadable", words)];
  }
  const first = dissectHead(bytes, head.value);
  if (isSecret) return [first, ...dissectSecret(bytes, head.value)];
  const to = bytes.length - CRC_BYTES;
  return [
    first,
    ...dissectFrames(bytes, head.value.headBytes, to),
    dissectCrc(bytes, head.value, to),
  ];
}

function dissectHead(bytes: Uint8Array, head: Head): DatagramPart {
  const part = new PartBuilder(bytes, 0, "2")
    .bits("version", 0xc0, (version) => `version ${version}`)
    .bits("form", 0x30, (form) =>
      form === 0 ? "short: inside a session" : "long: names both tokens",
    )
    .bits("P", 0x08, (p) => (p ? "protected: encrypted, with a tag" : "plain"))
    .bits("reserved", 0x04, () => "zero")
    .bits("ask", 0x03, (ask) => ASK_SENTENCES[ask] ?? "")
    .skipByte();
  if (head.form === "short") {
    return part
      .number("number", 2, () => "low 16 bits of the datagram number")
      .done("head", `short #…${hex(head.numberLow, 4)} ask ${ASK_WORDS[head.ask]}`);
  }
  part
    .number("token from", 4, (token) =>
      token === 0 ? "none: its sender has no session" : "the sender's token",
    )
    .number("token to", 4, (token) =>
      token === 0 ? "not known to the sender" : "the receiver's token",
    )
    .number("number", 4, () => "datagram number");
  if (head.salt) part.raw("salt from", head.salt.length, "the sender's salt");
  const tokens = `from ${hex(head.tokenFrom, 8)} to ${hex(head.tokenTo, 8)}`;
  return part.done("head", `long ${tokens} #${hex(head.number, 8)} ask ${ASK_WORDS[head.ask]}`);
}

const ASK_SENTENCES = [
  "no ack is asked for",
  "an ack is asked for now",
  "the next datagram will ask for an ack",
  "the one after the next will ask for an ack",
] as const;

function dissectSecret(bytes: Uint8Array, head: Head): DatagramPart[] {
  const to = bytes.length - TAG_BYTES;
  const size = to - head.headBytes;
  const tag = plainPart(bytes, to, bytes.length, "17", "tag", "authentication tag");
  if (size === 0) return [tag];
  const words = `frames, ${countBytes(size)}, encrypted`;
  return [plainPart(bytes, head.headBytes, to, "17", "encrypted", words), tag];
}

function dissectFrames(bytes: Uint8Array, from: number, to: number): DatagramPart[] {
  const parts: DatagramPart[] = [];
  const input = new ByteReader(bytes, from, to);
  while (input.left > 0) {
    const start = input.at;
    while (input.left > 0 && bytes[input.at] === TYPE_PAD) input.at++;
    if (input.at > start) {
      const words = `${countBytes(input.at - start)} of padding`;
      parts.push(plainPart(bytes, start, input.at, "3.1", "pad", words));
      continue;
    }
    const part = dissectFrame(input, from);
    if (typeof part === "string") {
      parts.push(plainPart(bytes, start, to, "3", "unreadable", part));
      break;
    }
    parts.push(part);
  }
  return parts;
}

function dissectCrc(bytes: Uint8Array, head: Head, at: number): DatagramPart {
  const crc = bytes[at]! | (bytes[at + 1]! << 8);
  const judged =
    head.form === "short"
      ? "covers both tokens too, which are not in a short datagram"
      : crcMatches(bytes, head.tokenTo, head.tokenFrom, head.number)
        ? "good"
        : "wrong";
  return new PartBuilder(bytes, at, "2.4")
    .value("crc16", CRC_BYTES, crc, `CRC-16 ${hex(crc, 4)}: ${judged}`)
    .done("crc", head.form === "short" ? `crc ${hex(crc, 4)}` : `crc ${hex(crc, 4)} ${judged}`);
}
