/**
 * A Fardel link over a board on a serial port.
 *
 * @packageDocumentation
 */

export type { BytePort, PortHandlers, PortSource } from "./byte-port.js";
export { SerialBridgeError, type SerialBridgeErrorCode } from "./errors.js";
