/**
 * Numbers of the file format: PCAP Next Generation, draft-ietf-opsawg-pcapng. CAPTURE.md says which
 * of its blocks and options are written, and which are read.
 */

/** Section Header Block; a palindrome, so that it reads the same in both byte orders. */
export const BLOCK_SECTION_HEADER = 0x0a0d0d0a;
/** Interface Description Block. */
export const BLOCK_INTERFACE = 1;
/** Interface Statistics Block. */
export const BLOCK_STATISTICS = 5;
/** Enhanced Packet Block. */
export const BLOCK_DATAGRAM = 6;

export const BYTE_ORDER_MAGIC = 0x1a2b3c4d;
export const VERSION_MAJOR = 1;
export const VERSION_MINOR = 0;

/** Link type USER0: for private use, whoever reads it must have been told what it holds. */
export const LINK_TYPE_USER0 = 147;

export const OPTION_END = 0;
export const OPTION_COMMENT = 1;
export const SECTION_USER_APPLICATION = 4;
export const INTERFACE_NAME = 2;
export const INTERFACE_DESCRIPTION = 3;
export const INTERFACE_RESOLUTION = 9;
export const INTERFACE_OFFSET = 14;
export const DATAGRAM_FLAGS = 2;
export const DATAGRAM_DROP_COUNT = 4;
export const STATISTICS_START = 2;
export const STATISTICS_END = 3;
export const STATISTICS_RECEIVED = 4;
export const STATISTICS_DROPPED_BY_SYSTEM = 7;

/** Bits of {@link DATAGRAM_FLAGS}: the direction, and how it came to be received. */
export const FLAG_INBOUND = 1;
export const FLAG_OUTBOUND = 2;
/** Reception type 4, promiscuous, in bits 2 to 4. */
export const FLAG_OVERHEARD = FLAG_INBOUND | (4 << 2);

/** Type, length, and the length again. */
export const BLOCK_AROUND_BYTES = 12;
/** Interface, time, two lengths. */
export const DATAGRAM_FIXED_BYTES = 20;
/** Byte order, version, length of the section. */
export const SECTION_FIXED_BYTES = 16;
/** Link type, two bytes reserved, longest datagram. */
export const INTERFACE_FIXED_BYTES = 8;
/** Interface, time. */
export const STATISTICS_FIXED_BYTES = 12;

/** Everything stands on four bytes. */
export function padded(bytes: number): number {
  return (bytes + 3) & ~3;
}
