import { CRC_BYTES } from "../head.js";
import { isSessionlessSound } from "../sessionless-datagram.js";
import { countBytes, hex, KIND_WORDS } from "../wording.js";
import { type DatagramPart, PartBuilder, plainPart } from "./part.js";

const STEP_WORDS = [
  "",
  "OFFER",
  "ANSWER",
  "PROOF",
  "CHECK",
  "KEPT",
  "DONE",
  "WAIT",
  "ABORT",
] as const;
const WAY_WORDS = ["", "cable", "code", "compare", "renew"] as const;
const ABORT_WORDS = [
  "",
  "not in pairing mode",
  "busy",
  "way not open",
  "wrong proof",
  "a person refused",
  "cancelled",
  "time is over",
  "exchange unknown",
] as const;
const STEP_OFFER = 1;
const STEP_ABORT = 8;

/** The parts of a datagram without session, of at least 4 bytes. PROTOCOL.md, section 15. */
export function dissectSessionless(bytes: Uint8Array): DatagramPart[] {
  const to = bytes.length - CRC_BYTES;
  const kind = bytes[1]!;
  const word = KIND_WORDS[kind] ?? `kind ${kind}`;
  const head = new PartBuilder(bytes, 0, "15")
    .bits("version", 0xc0, (version) => `version ${version}`)
    .bits("form", 0x30, () => "without session")
    .bits("reserved", 0x0f, () => "zero")
    .skipByte()
    .value("kind", 1, kind, word)
    .done("head", `without session, ${word}`);
  return [head, ...dissectBody(bytes, kind, word, to), crcPart(bytes, to)];
}

function crcPart(bytes: Uint8Array, at: number): DatagramPart {
  const crc = bytes[at]! | (bytes[at + 1]! << 8);
  const words = `crc ${hex(crc, 4)} ${isSessionlessSound(bytes) ? "good" : "wrong"}`;
  return new PartBuilder(bytes, at, "2.4").value("crc16", CRC_BYTES, crc, words).done("crc", words);
}

function dissectBody(bytes: Uint8Array, kind: number, word: string, to: number): DatagramPart[] {
  if (to === 2) return [];
  const body = new Body(bytes, to, kind === 1 ? "15.1" : kind === 2 ? "15.2" : "16");
  if (kind === 1) announce(body);
  else if (kind === 2) query(body);
  else if (kind === 3) pair(body);
  body.rest();
  return body.isSound
    ? [body.part.done(word, `${word}, ${countBytes(to - 2)}`)]
    : [plainPart(bytes, 2, to, body.part.section, "unreadable", `${word} that is cut short`)];
}

/** The body of a datagram without session: fields of which each may be cut off. */
class Body {
  readonly part: PartBuilder;
  isSound = true;

  constructor(
    readonly bytes: Uint8Array,
    readonly to: number,
    section: string,
  ) {
    this.part = new PartBuilder(bytes, 2, section);
  }

  /** Whether so many more bytes are there; if not, nothing more is read. */
  has(size: number): boolean {
    if (this.part.at + size > this.to) this.isSound = false;
    return this.isSound;
  }

  number(name: string, size: number, words: (value: number) => string): void {
    if (this.has(size)) this.part.number(name, size, words);
  }

  /** A length of one byte, and UTF-8. */
  text(name: string): void {
    if (!this.has(1)) return;
    const size = this.bytes[this.part.at]!;
    if (!this.has(1 + size)) return;
    this.part.number(`${name} length`, 1, (value) => countBytes(value));
    const text = utf8(this.bytes, this.part.at, this.part.at + size);
    this.part.raw(name, size, text === undefined ? "not UTF-8" : JSON.stringify(text));
  }

  varint(name: string, words: (value: number) => string): void {
    if (!this.has(1)) return;
    const first = this.bytes[this.part.at]!;
    const size = 1 << (first >>> 6);
    if (!this.has(size)) return;
    let value = first & 0x3f;
    for (let index = 1; index < size; index++) {
      value = value * 256 + this.bytes[this.part.at + index]!;
    }
    this.part.value(name, size, value, words(value));
  }

  /** What lies behind the known fields is passed over by a receiver. */
  rest(): void {
    if (this.isSound) this.part.raw("rest", this.to - this.part.at, "not looked at");
  }
}

function announce(body: Body): void {
  body.number("version", 1, (version) => `speaks version ${version}`);
  if (body.has(1)) {
    body.part
      .bits("in pairing mode", 0x01, yesOrNo)
      .bits("takes plain sessions", 0x02, yesOrNo)
      .bits("takes protected sessions", 0x04, yesOrNo)
      .bits("reserved", 0x08, () => "passed over")
      .bits("ways of pairing", 0xf0, wayList)
      .skipByte();
  }
  body.number("mtu", 2, (mtu) => `takes datagrams of up to ${countBytes(mtu)}`);
  body.number("window", 1, (window) => `takes ${window} fragments on each channel`);
  body.varint("message", (size) =>
    size === 0 ? "not told" : `messages up to ${countBytes(size)}`,
  );
  body.text("kind");
  body.text("name");
}

function query(body: Body): void {
  body.number("id", 4, (id) => hex(id, 8));
  body.number("spread", 2, (ms) => `answer within ${ms} ms`);
  if (body.has(1)) {
    body.part
      .bits("only in pairing mode", 0x01, yesOrNo)
      .bits("reserved", 0xfe, () => "passed over")
      .skipByte();
  }
  body.text("kind");
  body.text("prefix");
  if (!body.has(1)) return;
  const size = body.bytes[body.part.at]!;
  if (!body.has(1 + size)) return;
  body.part.number("map length", 1, (value) => countBytes(value));
  body.part.raw("map", size, "boards that were heard need not answer");
}

function pair(body: Body): void {
  if (!body.has(1)) return;
  const step = body.bytes[body.part.at]!;
  body.number("step", 1, (value) => STEP_WORDS[value] || `step ${value}`);
  body.number("exchange", 4, (exchange) => hex(exchange, 8));
  if (step === STEP_OFFER) body.number("way", 1, (way) => WAY_WORDS[way] || `way ${way}`);
  if (step === STEP_ABORT) body.number("reason", 1, (at) => ABORT_WORDS[at] || `reason ${at}`);
  if (!body.isSound) return;
  body.part.raw("fields", body.to - body.part.at, "share, proof or tag, by step and way");
}

function yesOrNo(value: number): string {
  return value ? "yes" : "no";
}

function wayList(bits: number): string {
  const open = WAY_WORDS.slice(1).filter((_, index) => (bits >> index) & 1);
  return open.length === 0 ? "none open" : open.join(", ");
}

/** `undefined` if it is not UTF-8. RFC 3629; without the platform's decoder, which this layer has not. */
function utf8(bytes: Uint8Array, from: number, to: number): string | undefined {
  let escaped = "";
  for (let at = from; at < to; at++) escaped += `%${hex(bytes[at]!, 2)}`;
  try {
    return decodeURIComponent(escaped);
  } catch {
    return undefined;
  }
}
