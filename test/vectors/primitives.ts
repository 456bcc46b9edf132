/** Checksums and variable-length integers, apart from any datagram. */
import { bytesOf, crc16, crc32, plain } from "./vector.js";

interface ChecksumVector {
  readonly name: string;
  readonly section: string;
  readonly hex: string;
  readonly meaning: string;
  /** CRC-16/IBM-SDLC as a number, 4 hexadecimal digits (sent least significant byte first). */
  readonly crc16: string;
  /** CRC-32/ISO-HDLC as a number, 8 hexadecimal digits. */
  readonly crc32: string;
}

interface VarintVector {
  readonly name: string;
  readonly section: string;
  readonly hex: string;
  readonly meaning: string;
  /** The value, -1 if the bytes end too early, -2 if it needs more than 53 bits. */
  readonly value: number;
  /** Whether an encoder writes exactly these bytes. */
  readonly canonical: boolean;
}

function checksum(name: string, hex: string, meaning: string): ChecksumVector {
  const bytes = bytesOf(hex);
  return {
    name,
    section: "2.4, 3.2",
    hex: plain(hex),
    meaning,
    crc16: crc16(bytes).toString(16).padStart(4, "0"),
    crc32: crc32(bytes).toString(16).padStart(8, "0"),
  };
}

function varint(hex: string, value: number, meaning: string, canonical = true): VarintVector {
  return { name: `varint ${hex}`, section: "1", hex, meaning, value, canonical };
}

export const checksums: ChecksumVector[] = [
  checksum("check", "313233343536373839", "'123456789': 906e and cbf43926 in the CRC catalogue"),
  checksum("nothing", "", "no bytes"),
  checksum("zero byte", "00", "one zero byte"),
  checksum("seven bytes", "01020304050607", "one less than a step of eight"),
  checksum("eight bytes", "0102030405060708", "a step of eight"),
  checksum("nine bytes", "010203040506070809", "one more than a step of eight"),
  checksum("32 zero bytes", "00".repeat(32), "zeros in front count: the register starts at ones"),
  checksum("32 bytes ff", "ff".repeat(32), "all ones"),
  checksum(
    "all bytes",
    Array.from({ length: 256 }, (_, i) => i.toString(16).padStart(2, "0")).join(""),
    "00 to ff",
  ),
];

export const varints: VarintVector[] = [
  varint("9d7f3e7d", 494_878_333, "RFC 9000, A.1"),
  varint("7bbd", 15_293, "RFC 9000, A.1"),
  varint("25", 37, "RFC 9000, A.1"),
  varint("4025", 37, "RFC 9000, A.1: a longer form is taken", false),
  varint("c2197c5eff14e88c", -2, "RFC 9000, A.1: 151,288,809,941,952,652 needs 58 bits", false),
  varint("00", 0, "least"),
  varint("3f", 63, "greatest of one byte"),
  varint("4040", 64, "least that needs two"),
  varint("7fff", 16_383, "greatest of two"),
  varint("80004000", 16_384, "least that needs four"),
  varint("bfffffff", 1_073_741_823, "greatest of four"),
  varint("c000000040000000", 1_073_741_824, "least that needs eight"),
  varint("c000000100000000", 4_294_967_296, "beyond 32 bits"),
  varint("c01fffffffffffff", Number.MAX_SAFE_INTEGER, "greatest, 2^53 - 1"),
  varint("c020000000000000", -2, "2^53", false),
  varint("ffffffffffffffff", -2, "2^62 - 1", false),
  varint("", -1, "nothing", false),
  varint("40", -1, "one byte of two", false),
  varint("800040", -1, "three bytes of four", false),
  varint("c0000000400000", -1, "seven bytes of eight", false),
];
