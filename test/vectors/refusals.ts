/** Every kind of datagram that is dropped. */
import {
  bytesOf,
  crc16,
  hexOf,
  RECEIVER,
  type RefusedVector,
  SENDER,
  sealed,
  UNKNOWN,
} from "./vector.js";

const NUMBER = "0000a1b2";

type Session = readonly [tokenTo: string, tokenFrom: string, number: string];
const SESSION: Session = [RECEIVER, SENDER, NUMBER];

function refused(
  section: string,
  refusedBy: RefusedVector["refusedBy"],
  fault: string,
  name: string,
  hex: string,
  meaning: string,
  [tokenTo, tokenFrom, number]: Session = SESSION,
): RefusedVector {
  return { name, section, hex, meaning, tokenTo, tokenFrom, number, refusedBy, fault };
}

function byHead(fault: string, name: string, hex: string, meaning: string): RefusedVector {
  return refused("2", "head", fault, name, sealed(hex, ...SESSION), meaning);
}

/** Cut after sealing: the bytes that are left need not fit. */
function byLength(name: string, hex: string, meaning: string): RefusedVector {
  return refused("2", "head", "too-short", name, hexOf(bytesOf(hex)), meaning);
}

function byFrames(
  section: string,
  fault: string,
  name: string,
  hex: string,
  meaning: string,
): RefusedVector {
  return refused(section, "frames", fault, name, sealed(`40 a1b2 ${hex}`, ...SESSION), meaning);
}

/** NO-SESSION as it should be, but for the company. */
function notAlone(name: string, hex: string): RefusedVector {
  const session: Session = [RECEIVER, UNKNOWN, NUMBER];
  const datagram = sealed(`50 00000000 0f1e2d3c 0000a1b2 | ${hex}`, ...session);
  return refused("3.6", "frames", "bad-value", name, datagram, "it stands alone", session);
}

const good = sealed("40 a1b2 | e0 0001 | 6f6b", ...SESSION);

function damaged(at: number, mask: number): string {
  return hexOf(bytesOf(good).map((byte, index) => (index === at ? byte ^ mask : byte)));
}

function withPlainCrc(hex: string): string {
  const bytes = bytesOf(hex);
  const crc = crc16(bytes);
  return hexOf([...bytes, crc & 0xff, crc >> 8]);
}

const headRefusals = [
  byLength("nothing", "", "an empty datagram"),
  byLength("head alone", "40", "one byte"),
  byLength("short without CRC", "40 a1b2 00", "four bytes: five are the least"),
  byLength("long without CRC", "50 a1b2c3d4 0f1e2d3c 0000a1b2 00", "14 bytes: 15 are the least"),
  byHead("other-version", "version 0", "00 a1b2", "what comes may mean anything"),
  byHead("other-version", "version 2", "80 a1b2", "a later version"),
  byHead("other-version", "version 3", "ff a1b2", "the version is looked at first"),
  byHead("unknown-form", "form 2", "60 a1b2", "without session: not in this version"),
  byHead("unknown-form", "form 3", "70 a1b2", "reserved"),
  byHead("protected", "protected, short", "48 a1b2", "there is no key"),
  byHead("protected", "protected, long", "58 a1b2c3d4 0f1e2d3c 0000a1b2", "there is no key"),
  byHead("reserved-bit", "bit 2 set", "44 a1b2", "reserved"),
  byHead("reserved-bit", "bit 2 set, long", "55 a1b2c3d4 0f1e2d3c 0000a1b2", "reserved"),
];

const crcRefusals = [
  refused("2.4", "crc", "", "one bit wrong in the ask bits", damaged(0, 0x01), "head damaged"),
  refused("2.4", "crc", "", "one bit wrong in the number", damaged(2, 0x80), "number damaged"),
  refused("2.4", "crc", "", "one bit wrong in the bytes", damaged(7, 0x10), "payload damaged"),
  refused("2.4", "crc", "", "one bit wrong in the CRC", damaged(9, 0x01), "CRC damaged"),
  refused("2.4", "crc", "", "cut by one byte", good.slice(0, -2), "its end is missing"),
  refused(
    "2.4",
    "crc",
    "",
    "CRC bytes the wrong way round",
    good.slice(0, -4) + good.slice(-2) + good.slice(-4, -2),
    "least significant byte first, unlike everything else",
  ),
  refused("2.4", "crc", "", "of another session of the receiver", good, "token to differs", [
    "0f1e2d3d",
    SENDER,
    NUMBER,
  ]),
  refused("2.4", "crc", "", "of another session of the sender", good, "token from differs", [
    RECEIVER,
    "a1b2c3d5",
    NUMBER,
  ]),
  refused("2.4", "crc", "", "tokens the wrong way round", good, "token to comes first", [
    SENDER,
    RECEIVER,
    NUMBER,
  ]),
  refused("2.4", "crc", "", "number completed wrongly", good, "low half right, high half not", [
    RECEIVER,
    SENDER,
    "0001a1b2",
  ]),
  refused(
    "2.4",
    "crc",
    "",
    "CRC without the tokens and the number",
    withPlainCrc("40 a1b2 | e0 0001 | 6f6b"),
    "the plain CRC-16 of the eight bytes before it",
  ),
];

const frameRefusals = [
  byFrames("3", "unknown-frame", "type 01", "01", "the least that is undefined"),
  byFrames("3", "unknown-frame", "type 0f", "0f 0000", "undefined"),
  byFrames("3", "unknown-frame", "type 52", "52", "undefined"),
  byFrames("3", "unknown-frame", "type 5f", "5f 0000", "undefined"),
  byFrames("3", "unknown-frame", "good frame, then type 01", "20 0001 | 01", "one spoils all"),
  byFrames("3.2", "truncated", "DATA cut in its number", "e0 00", "two bytes of three"),
  byFrames("3.2", "truncated", "DATA without its length", "f0 0001", "e is set"),
  byFrames("3.2", "truncated", "DATA, length cut", "f0 0001 40", "two bytes announced"),
  byFrames("3.2", "truncated", "DATA, length beyond the end", "f0 0001 03 | aabb", "one missing"),
  byFrames("3.2", "truncated", "DATA first without its total", "c0 0001", "no byte of it"),
  byFrames("3.2", "truncated", "DATA first, total cut", "c0 0001 | 800100", "one of four missing"),
  byFrames("3.2", "bad-value", "DATA, total of 54 bits", "c0 0001 | c020000000000000 | aa", "2^53"),
  byFrames("3.2", "bad-value", "DATA, length of 62 bits", "f0 0001 ffffffffffffffff | aa", "huge"),
  byFrames("3.2", "bad-value", "DATA ends inside its total", "d0 0001 01 | 7000", "length 1 of 2"),
  byFrames("3.2", "bad-value", "DATA, empty middle", "80 0001", "only a whole message is empty"),
  byFrames("3.2", "bad-value", "DATA, empty middle with length", "90 0001 00 | 00", "likewise"),
  byFrames("3.2", "bad-value", "DATA last, CRC-32 cut", "a0 0001 | cbf439", "four bytes at least"),
  byFrames(
    "3.2",
    "bad-value",
    "DATA last, length without room for the CRC-32",
    "b0 0001 03 | cbf43926",
    "the byte that follows is not the fragment's",
  ),
  byFrames("3.3", "truncated", "ACK cut", "10 a1b2 0005 08", "six bytes of seven"),
  byFrames("3.3", "truncated", "ACK, map cut", "10 a1b2 0005 08 02 | 80", "one byte of two"),
  byFrames("3.3", "bad-value", "ACK, map of 33", `10 a1b2 0005 08 21 | ${"01".repeat(33)}`, "> 32"),
  byFrames("3.3", "bad-value", "ACK, map of 63", `10 a1b2 0005 08 3f | ${"01".repeat(63)}`, "> 32"),
  byFrames("3.4", "truncated", "SKIP cut", "20 00", "two bytes of three"),
  byFrames("3.4", "truncated", "STOP cut", "40 0001", "three bytes of four"),
  byFrames("3.5", "truncated", "HELLO cut", "31 00fa", "three bytes of four"),
  byFrames("3.5", "bad-value", "HELLO, MTU too small", "31 0013 08", "19 bytes: 20 are the least"),
  byFrames("3.5", "bad-value", "HELLO, window 0", "31 00fa 00", "1 is the least"),
  byFrames("3.5", "bad-value", "HELLO, version 0", "30 00fa 08", "in a datagram of version 1"),
  byFrames("3.6", "truncated", "CLOSE cut", "50", "one byte of two"),
  notAlone("NO-SESSION with PAD", "51 00"),
  notAlone("NO-SESSION behind CLOSE", "50 00 | 51"),
  byFrames("3.7", "truncated", "LOOSE fragment cut", "64 0a0b", "no index"),
  byFrames("3.7", "truncated", "LOOSE without its length", "68", "bit 3 is set"),
  byFrames("3.7", "truncated", "LOOSE, length beyond the end", "68 02 | aa", "one missing"),
  byFrames("3.7", "bad-value", "LOOSE, length of 62 bits", "68 ffffffffffffffff | aa", "huge"),
  byFrames("3.7", "bad-value", "LOOSE, 128th not the last", "64 0a0b 7f | aa", "128 at most"),
  byFrames("3.7", "bad-value", "LOOSE, empty fragment", "64 0a0b 01", "not the last one"),
  byFrames("3.7", "bad-value", "LOOSE last, CRC-32 cut", "64 0a0b 81 | 010203", "four at least"),
  byFrames(
    "3.7",
    "bad-value",
    "LOOSE last, length without room for the CRC-32",
    "6c 0a0b 81 03 | 01020304",
    "the byte that follows is not the fragment's",
  ),
  byFrames("3.8", "truncated", "extension without length", "71", "one byte of two"),
  byFrames("3.8", "truncated", "extension cut", "71 02 | 00", "one byte of two"),
];

/** Head, CRC and frames are good; together they are not. */
const ruleRefusals = [
  refused(
    "2.2",
    "rule",
    "",
    "token from 0 without NO-SESSION",
    sealed("50 00000000 0f1e2d3c 0000a1b2 | 20 0001", RECEIVER, UNKNOWN, NUMBER),
    "no session has this token",
    [RECEIVER, UNKNOWN, NUMBER],
  ),
  refused(
    "2.2",
    "rule",
    "",
    "token from 0 without frames",
    sealed("51 00000000 0f1e2d3c 0000a1b2", RECEIVER, UNKNOWN, NUMBER),
    "no session has this token",
    [RECEIVER, UNKNOWN, NUMBER],
  ),
  refused(
    "3.6",
    "rule",
    "",
    "NO-SESSION with a token from",
    sealed("50 a1b2c3d4 0f1e2d3c 0000a1b2 | 51", ...SESSION),
    "who has a token has a session",
  ),
  refused(
    "3.6",
    "rule",
    "",
    "NO-SESSION in the short form",
    sealed("40 a1b2 | 51", ...SESSION),
    "it stands in a long datagram",
  ),
];

export const refusals: RefusedVector[] = [
  ...headRefusals,
  ...crcRefusals,
  ...frameRefusals,
  ...ruleRefusals,
];
