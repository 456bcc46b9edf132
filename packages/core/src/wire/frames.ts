import { type AckFrame, decodeAck, encodeAck } from "./ack-frame.js";
import { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import { type CloseFrame, decodeClose, encodeClose } from "./close-frame.js";
import { type DataFrame, decodeData, encodeData } from "./data-frame.js";
import type { Decoded, DecodeFault } from "./decoded.js";
import { decodeExtension, type ExtensionFrame, encodeExtension } from "./extension-frame.js";
import {
  TYPE_ACK,
  TYPE_CLOSE,
  TYPE_DATA,
  TYPE_EXTENSION,
  TYPE_HELLO,
  TYPE_LOOSE,
  TYPE_NO_SESSION,
  TYPE_PAD,
  TYPE_SKIP,
  TYPE_STOP,
} from "./frame-type.js";
import { decodeHello, encodeHello, type HelloFrame } from "./hello-frame.js";
import { decodeLoose, encodeLoose, type LooseFrame } from "./loose-frame.js";
import {
  decodeNoSession,
  encodeNoSession,
  NO_SESSION_FRAME_BYTES,
  type NoSessionFrame,
} from "./no-session-frame.js";
import { decodeSkip, encodeSkip, type SkipFrame } from "./skip-frame.js";
import { decodeStop, encodeStop, type StopFrame } from "./stop-frame.js";

/** One typed protocol unit of a datagram. If it exists, it can be encoded. */
export type Frame =
  | AckFrame
  | SkipFrame
  | HelloFrame
  | StopFrame
  | CloseFrame
  | NoSessionFrame
  | LooseFrame
  | ExtensionFrame
  | DataFrame;

/**
 * Reads all frames of a datagram, or none: one bad frame spoils the datagram (PROTOCOL.md,
 * section 3). PAD gives no frame; an extension gives one, to be passed over.
 *
 * Bytes in the frames are views into `datagram`.
 *
 * @param datagram - the whole datagram
 * @param from - offset of the first frame: the bytes of the head
 * @param to - offset of the CRC
 */
export function decodeFrames(datagram: Uint8Array, from: number, to: number): Decoded<Frame[]> {
  const input = new ByteReader(datagram, from, to);
  if (input.left < 0) return { ok: false, fault: "truncated" };
  const frames: Frame[] = [];
  while (input.at < input.end) {
    if (datagram[input.at] === TYPE_PAD) {
      input.at++;
      continue;
    }
    const frame = decodeFrame(input, from);
    if (typeof frame === "string") return { ok: false, fault: frame };
    frames.push(frame);
  }
  return { ok: true, value: frames };
}

/**
 * Reads the frame at the position of `input`, where at least one byte is left and it is not PAD.
 *
 * @param from - offset of the first frame of the datagram
 */
export function decodeFrame(input: ByteReader, from: number): Frame | DecodeFault {
  const first = input.bytes[input.at]!;
  if (first >= TYPE_DATA) return decodeData(input);
  switch (first & 0xf0) {
    case TYPE_ACK:
      return decodeAck(input);
    case TYPE_SKIP:
      return decodeSkip(input);
    case TYPE_HELLO:
      return decodeHello(input);
    case TYPE_STOP:
      return decodeStop(input);
    case TYPE_LOOSE:
      return decodeLoose(input);
    case TYPE_EXTENSION:
      return decodeExtension(input);
  }
  if (first === TYPE_CLOSE) return decodeClose(input);
  // It speaks for a sender without a session, which has nothing else to say.
  const alone = input.end - from === NO_SESSION_FRAME_BYTES;
  if (first === TYPE_NO_SESSION) return alone ? decodeNoSession(input) : "bad-value";
  return "unknown-frame";
}

/**
 * Writes any frame: for tests, tools and recorded datagrams. The protocol calls the encoder of each
 * type.
 *
 * @param final - whether it is the last frame of the datagram; only then may it be without length
 */
export function encodeFrame(out: ByteWriter, frame: Frame, final: boolean): void {
  switch (frame.type) {
    case "data":
      encodeData(out, { ...frame, withLength: !final, from: 0, to: frame.bytes.length });
      break;
    case "ack": {
      const { channel, largest, next, window, prompt, truncated, map } = frame;
      encodeAck(out, channel, largest, next, window, prompt, truncated, map, map.length);
      break;
    }
    case "skip":
      encodeSkip(out, frame.channel, frame.next);
      break;
    case "hello":
      encodeHello(out, frame.version, frame.mtuBytes, frame.window);
      break;
    case "stop":
      encodeStop(out, frame.channel, frame.first, frame.reason);
      break;
    case "close":
      encodeClose(out, frame.reason);
      break;
    case "no-session":
      encodeNoSession(out);
      break;
    case "loose":
      encodeLoose(out, { ...frame, withLength: !final, from: 0, to: frame.bytes.length });
      break;
    case "extension":
      encodeExtension(out, frame.kind, frame.bytes);
      break;
  }
}

/** Whether a frame must be answered by an ack sooner or later. PROTOCOL.md, section 3. */
export function asksForAck(frame: Frame): boolean {
  return frame.type === "data" || frame.type === "skip";
}

/**
 * Whether the frames of a datagram are a NO-SESSION. A long datagram is legal with `token from` = 0
 * if and only if this is so; in the short form it never is.
 */
export function isNoSession(frames: readonly Frame[]): boolean {
  return frames.length === 1 && frames[0]!.type === "no-session";
}
