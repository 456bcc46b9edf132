// The entry of core does not offer decoded frames, only their description in words.
import {
  CRC_BYTES,
  type DataFrame,
  decodeFrames,
  decodeHead,
  type Frame,
} from "../../packages/core/src/wire/index.js";

/** The frames of a datagram; none if it cannot be read. Bytes in them are views into it. */
export function framesIn(datagram: Uint8Array): Frame[] {
  const head = decodeHead(datagram);
  if (!head.ok) return [];
  const frames = decodeFrames(datagram, head.value.headBytes, datagram.length - CRC_BYTES);
  return frames.ok ? frames.value : [];
}

/** Only those with data. */
export function dataIn(datagram: Uint8Array): DataFrame[] {
  return framesIn(datagram).filter((frame): frame is DataFrame => frame.type === "data");
}
