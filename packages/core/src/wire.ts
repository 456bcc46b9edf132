/**
 * For tools and link adapters that look at bytes: datagrams in words, and the checksum that
 * datagrams end with. An application needs none of it.
 *
 * @packageDocumentation
 */

export { CRC16_GOOD, CRC16_START, updateCrc16 } from "./wire/crc16.js";
export { updateCrc32 } from "./wire/crc32.js";
export { describeDatagram } from "./wire/describe.js";
