import type { ByteWriter } from "./byte-writer.js";
import { CRC16_GOOD, CRC16_START, updateCrc16, updateCrc16U32 } from "./crc16.js";
import { CRC_BYTES, isLongForm, SHORT_HEAD_BYTES } from "./head.js";

/**
 * Appends the CRC-16 to a datagram whose head and frames are written.
 *
 * The datagram starts at offset 0 of the writer's array. The CRC may lie behind the writer's limit,
 * so that the limit can be set to what the frames may fill: MTU minus {@link CRC_BYTES}.
 *
 * @param out - head and frames, up to `out.at`
 * @param tokenTo - receiver's token, `u32`, 0 if unknown
 * @param tokenFrom - our token, `u32`
 * @param number - complete datagram number, `u32`
 * @returns the whole datagram, as a view of the writer's array
 * @throws RangeError when the array has no two bytes left.
 * @see PROTOCOL.md, section 2.4
 */
export function sealDatagram(
  out: ByteWriter,
  tokenTo: number,
  tokenFrom: number,
  number: number,
): Uint8Array {
  const { bytes, at } = out;
  if (bytes.length - at < CRC_BYTES) {
    throw new RangeError(`The CRC does not fit behind ${at} of ${bytes.length} bytes.`);
  }
  const register = unsentRegister(bytes, tokenTo, tokenFrom, number);
  const crc = ~updateCrc16(register, bytes, 0, at);
  bytes[at] = crc;
  bytes[at + 1] = crc >>> 8;
  out.at = at + CRC_BYTES;
  return bytes.subarray(0, out.at);
}

/**
 * Whether a datagram arrived as it was sealed, for this session and under this number.
 *
 * @param datagram - the whole datagram, CRC included
 * @param tokenTo - receiver's token, `u32`, 0 if the sender did not know it
 * @param tokenFrom - sender's token, `u32`
 * @param number - complete datagram number, `u32`
 */
export function crcMatches(
  datagram: Uint8Array,
  tokenTo: number,
  tokenFrom: number,
  number: number,
): boolean {
  // With less than this the tokens alone could leave the good register.
  if (datagram.length < SHORT_HEAD_BYTES + CRC_BYTES) return false;
  const register = unsentRegister(datagram, tokenTo, tokenFrom, number);
  return updateCrc16(register, datagram, 0, datagram.length) === CRC16_GOOD;
}

/**
 * The register after what belongs to the datagram and is not sent. What is sent does not enter twice: damage to it would
 * count twice, too, and three bits could pass for none.
 */
function unsentRegister(
  datagram: Uint8Array,
  tokenTo: number,
  tokenFrom: number,
  number: number,
): number {
  if (isLongForm(datagram)) return CRC16_START;
  const upperHalf = number & 0xffff_0000;
  return updateCrc16U32(updateCrc16U32(updateCrc16U32(CRC16_START, tokenTo), tokenFrom), upperHalf);
}
