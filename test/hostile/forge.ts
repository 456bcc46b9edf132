import { Random } from "@fardel/lossy-link";
import {
  type Ask,
  ByteWriter,
  encodeFrame,
  encodeLongHead,
  encodeShortHead,
  type Frame,
  sealDatagram,
} from "../../packages/core/src/wire/index.js";

/** What a forged datagram says of itself; all of it goes into its CRC. */
export interface ForgedHead {
  readonly tokenTo: number;
  readonly tokenFrom: number;
  /** Complete datagram number, `u32`. */
  readonly number: number;
  readonly ask?: Ask;
  readonly short?: boolean;
}

/** Long enough for every frame that is forged, also for what no link carries. */
const room = new Uint8Array(70_000);

/** A datagram of these frames, with a good CRC (PROTOCOL.md, section 2). */
export function forge(head: ForgedHead, frames: readonly Frame[]): Uint8Array {
  const out = begin(head);
  frames.forEach((frame, at) => {
    encodeFrame(out, frame, at === frames.length - 1);
  });
  return seal(out, head);
}

/** The same of any bytes where frames should be. */
export function forgeBody(head: ForgedHead, body: Uint8Array): Uint8Array {
  const out = begin(head);
  out.raw(body, 0, body.length);
  return seal(out, head);
}

function begin({ tokenTo, tokenFrom, number, ask = 0, short = false }: ForgedHead): ByteWriter {
  const out = new ByteWriter(room);
  if (short) encodeShortHead(out, ask, number);
  else encodeLongHead(out, ask, tokenFrom, tokenTo, number);
  return out;
}

function seal(out: ByteWriter, { tokenTo, tokenFrom, number }: ForgedHead): Uint8Array {
  return sealDatagram(out, tokenTo, tokenFrom, number).slice();
}

/** HELLO of a peer like any other. */
export const HELLO: Frame = { type: "hello", version: 1, mtuBytes: 250, window: 64 };

export type Place = "whole" | "first" | "middle" | "last";

/** A DATA frame. `total` and `crc32` count only where the place has them. */
export function data(
  channel: number,
  fragment: number,
  place: Place,
  bytes: Uint8Array,
  { total = 0, crc32 = 0 } = {},
): Frame {
  return {
    type: "data",
    channel,
    fragment: fragment & 0xffff,
    first: place === "whole" || place === "first",
    last: place === "whole" || place === "last",
    total: place === "first" ? total : 0,
    crc32: place === "last" ? crc32 : 0,
    bytes,
  };
}

/** A fragment of an unacknowledged message. */
export function loose(
  lane: number,
  id: number,
  index: number,
  bytes: Uint8Array,
  last = false,
): Frame {
  return { type: "loose", lane, fragmented: true, id, index, last, crc32: 0, bytes };
}

/** Fields of an ACK that say nothing when they are left out. */
interface AckMore {
  readonly window?: number;
  readonly prompt?: boolean;
  readonly truncated?: boolean;
  readonly map?: Uint8Array;
}

export function ack(channel: number, largest: number, next: number, more: AckMore = {}): Frame {
  const { window = 64, prompt = false, truncated = false, map = new Uint8Array(0) } = more;
  const numbers = { largest: largest & 0xffff, next: next & 0xffff };
  return { type: "ack", channel, ...numbers, window, prompt, truncated, map };
}

export function skip(channel: number, next: number): Frame {
  return { type: "skip", channel, next: next & 0xffff };
}

export function stop(channel: number, first: number, reason: number): Frame {
  return { type: "stop", channel, first: first & 0xffff, reason };
}

/** Bytes without a pattern; the same for the same salt. */
export function bytesOf(count: number, salt: number | string = 0): Uint8Array {
  const random = new Random(`bytes ${salt}`);
  return Uint8Array.from({ length: count }, () => random.integer(0, 255));
}

/** A new address, locally administered (IEEE 802), that none of the stations has. */
export function strangerAddress(index: number): Uint8Array {
  return Uint8Array.of(2, 9, index >>> 24, index >>> 16, index >>> 8, index);
}

export function keyOf(address: Uint8Array): string {
  return String.fromCharCode(...address);
}
