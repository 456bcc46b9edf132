/**
 * For tools and link adapters that look at bytes: datagrams in words and field by field, and the
 * checksum that datagrams end with. An application needs none of it.
 *
 * @packageDocumentation
 */

export type { AckFrame } from "./wire/ack-frame.js";
export type { CloseFrame } from "./wire/close-frame.js";
export { CRC16_GOOD, CRC16_START, updateCrc16 } from "./wire/crc16.js";
export { updateCrc32 } from "./wire/crc32.js";
export type { DataFrame } from "./wire/data-frame.js";
export { describeDatagram } from "./wire/describe.js";
export { dissectDatagram, type ReadDatagram, readDatagram } from "./wire/dissect/dissect.js";
export type { DatagramField, DatagramPart } from "./wire/dissect/part.js";
export type { ExtensionFrame } from "./wire/extension-frame.js";
export type { Frame } from "./wire/frames.js";
export type { Ask, Head } from "./wire/head.js";
export type { HelloFrame } from "./wire/hello-frame.js";
export type { LooseFrame } from "./wire/loose-frame.js";
export type { NoSessionFrame } from "./wire/no-session-frame.js";
export { serialAdd, serialAfter, serialDistance } from "./wire/serial-number.js";
export type { SkipFrame } from "./wire/skip-frame.js";
export type { StopFrame } from "./wire/stop-frame.js";
