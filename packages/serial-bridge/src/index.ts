/**
 * A Fardel link over a board on a serial port.
 *
 * @packageDocumentation
 */

export { Bridge, type BridgeOptions } from "./bridge/bridge.js";
export {
  BridgeCore,
  type BridgeCoreOptions,
  type RadioOrder,
  type RadioResult,
} from "./bridge/bridge-core.js";
export type { BridgeRadio, BridgeRadioHandlers } from "./bridge/bridge-radio.js";
export { type LinkRadioOptions, linkRadio } from "./bridge/link-radio.js";
export {
  type BridgeFacts,
  type BridgeFrame,
  type ChannelResult,
  type Decoded,
  decodeBridgeFrame,
  decodeHostFrame,
  encodeBridgeFrame,
  encodeHostFrame,
  type HelloFrame,
  type HostFrame,
  type TokenOutcome,
} from "./bridge-frames.js";
export type { BridgeStatistics } from "./bridge-statistics.js";
export type { BytePort, PortHandlers, PortSource } from "./byte-port.js";
export { describeBridgeFrame } from "./describe-bridge-frame.js";
export { SerialBridgeError, type SerialBridgeErrorCode } from "./errors.js";
export { type FrameHandlers, FrameReader, type FrameReaderCounts } from "./frame-reader.js";
export { type FrameBytesOptions, frameBytes } from "./frame-writer.js";
export type { Framing } from "./framing.js";
export type { LineFaults, LineTally } from "./memory-faults.js";
export { type LineDirection, MemoryLine, type MemoryLineOptions } from "./memory-port.js";
export type { SerialBridgeEvents } from "./serial-bridge-events.js";
export { SerialBridgeLink } from "./serial-bridge-link.js";
export type { SerialBridgeCounts, SerialBridgeOptions } from "./serial-bridge-options.js";
