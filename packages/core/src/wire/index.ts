/**
 * The wire format: bytes to frames and back, with no state and no opinion (PROTOCOL.md, sections 2
 * and 3).
 */
export { ACK_MAP_BYTES_MAX, type AckFrame, ackFrameBytes, encodeAck } from "./ack-frame.js";
export { ByteReader, READ_PAST_END, READ_TOO_LARGE } from "./byte-reader.js";
export { ByteWriter } from "./byte-writer.js";
export { CLOSE_FRAME_BYTES, CLOSE_REASON, type CloseFrame, encodeClose } from "./close-frame.js";
export { CRC16_GOOD, CRC16_START, updateCrc16, updateCrc16U32 } from "./crc16.js";
export { updateCrc32 } from "./crc32.js";
export {
  type DataFields,
  type DataFrame,
  dataFrameBytes,
  encodeData,
  MESSAGE_CRC_BYTES,
} from "./data-frame.js";
export { crcMatches, sealDatagram } from "./datagram.js";
export type { Decoded, DecodeFault } from "./decoded.js";
export { describeDatagram, describeFrame } from "./describe.js";
export { type ExtensionFrame, encodeExtension } from "./extension-frame.js";
export { asksForAck, decodeFrames, encodeFrame, type Frame, isNoSession } from "./frames.js";
export {
  ASK,
  type Ask,
  CRC_BYTES,
  decodeHead,
  encodeLongHead,
  encodeShortHead,
  type Head,
  LONG_HEAD_BYTES,
  patchAsk,
  SHORT_HEAD_BYTES,
  VERSION,
} from "./head.js";
export { encodeHello, HELLO_FRAME_BYTES, type HelloFrame, MTU_BYTES_MIN } from "./hello-frame.js";
export {
  encodeLoose,
  LOOSE_FRAGMENTS_MAX,
  type LooseFields,
  type LooseFrame,
  looseFrameBytes,
} from "./loose-frame.js";
export {
  encodeNoSession,
  NO_SESSION_FRAME_BYTES,
  type NoSessionFrame,
} from "./no-session-frame.js";
export { encodePad } from "./pad-frame.js";
export {
  addSerial,
  compareSerial,
  serialAdd,
  serialAfter,
  serialDistance,
} from "./serial-number.js";
export { encodeSkip, SKIP_FRAME_BYTES, type SkipFrame } from "./skip-frame.js";
export { encodeStop, STOP_FRAME_BYTES, STOP_REASON, type StopFrame } from "./stop-frame.js";
export { VARINT_MAX, varintBytes } from "./varint.js";
