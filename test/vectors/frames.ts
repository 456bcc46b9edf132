/** Every frame of section 3, each alone in a short datagram unless it is about several. */
import { type AcceptedVector, type FrameJson, RECEIVER, SENDER, sealed } from "./vector.js";

const NUMBER = "0000a1b2";

function accepted(
  section: string,
  name: string,
  hex: string,
  meaning: string,
  frames: readonly FrameJson[],
  canonical = true,
): AcceptedVector {
  return {
    name,
    section,
    hex: sealed(`40 a1b2 ${hex}`, RECEIVER, SENDER, NUMBER),
    meaning,
    tokenTo: RECEIVER,
    tokenFrom: SENDER,
    number: NUMBER,
    canonical,
    head: { form: "short", ask: 0, numberLow: 0xa1b2 },
    frames,
  };
}

type Place = "whole" | "first" | "middle" | "last";

function data(
  channel: number,
  fragment: number,
  place: Place,
  bytes: string,
  more: { total?: number; crc32?: string } = {},
): FrameJson {
  return {
    type: "data",
    channel,
    fragment,
    first: place === "whole" || place === "first",
    last: place === "whole" || place === "last",
    total: more.total ?? 0,
    crc32: more.crc32 ?? "00000000",
    bytes,
  };
}

function ack(
  channel: number,
  largest: number,
  next: number,
  window: number,
  flags: "" | "p" | "t" | "pt",
  map: string,
): FrameJson {
  return {
    type: "ack",
    channel,
    largest,
    next,
    window,
    prompt: flags.includes("p"),
    truncated: flags.includes("t"),
    map,
  };
}

function looseWhole(lane: number, bytes: string): FrameJson {
  return {
    type: "loose",
    lane,
    fragmented: false,
    id: 0,
    index: 0,
    last: true,
    crc32: "00000000",
    bytes,
  };
}

function looseFragment(
  lane: number,
  id: number,
  index: number,
  bytes: string,
  crc32?: string,
): FrameJson {
  const last = crc32 !== undefined;
  return {
    type: "loose",
    lane,
    fragmented: true,
    id,
    index,
    last,
    crc32: crc32 ?? "00000000",
    bytes,
  };
}

const FULL_MAP = `${"55".repeat(31)}01`;
const LONG_EXTENSION = "ee".repeat(255);
const LONG_DATA = "d7".repeat(64);

const padVectors = [
  accepted("3.1", "PAD alone", "000000", "three frames that give nothing", [], false),
  accepted(
    "3.1",
    "PAD between frames",
    "00 | 20 0001 | 0000 | 50 00 | 00",
    "passed over wherever it stands",
    [
      { type: "skip", channel: 0, next: 1 },
      { type: "close", reason: 0 },
    ],
    false,
  ),
];

const dataVectors = [
  accepted("3.2", "DATA whole", "e0 c3d6 | 68656c6c6f", "to the CRC, no length", [
    data(0, 0xc3d6, "whole", "68656c6c6f"),
  ]),
  accepted(
    "3.2",
    "DATA whole with length",
    "ff 0001 03 | aabbcc",
    "channel 15; a length where none is needed",
    [data(15, 1, "whole", "aabbcc")],
    false,
  ),
  accepted("3.2", "DATA empty message", "e3 ffff", "a message of no bytes", [
    data(3, 0xffff, "whole", ""),
  ]),
  accepted(
    "3.2",
    "DATA empty message with length",
    "f3 ffff 00 | f3 0000 00 | 20 0001",
    "two empty messages, numbers wrap from ffff to 0000",
    [data(3, 0xffff, "whole", ""), data(3, 0, "whole", ""), { type: "skip", channel: 0, next: 1 }],
  ),
  accepted("3.2", "DATA first, total told", "c0 c3d7 | 7000 | 0102", "12,288 bytes in all", [
    data(0, 0xc3d7, "first", "0102", { total: 12_288 }),
  ]),
  accepted("3.2", "DATA first, total not told", "c2 0201 | 00 | 0102", "total 0: not told", [
    data(2, 0x0201, "first", "0102"),
  ]),
  accepted(
    "3.2",
    "DATA first with length",
    "d0 0201 05 | 80010000 | 77 | 24 0102",
    "the length counts the four bytes of the total and one of the caller's; SKIP follows",
    [data(0, 0x0201, "first", "77", { total: 65_536 }), { type: "skip", channel: 4, next: 0x0102 }],
  ),
  accepted("3.2", "DATA first, nothing but its total", "c0 0202 | 0a", "10 bytes will follow", [
    data(0, 0x0202, "first", "", { total: 10 }),
  ]),
  accepted(
    "3.2",
    "DATA first, greatest total",
    "c0 0202 | c01fffffffffffff | 00",
    "2^53 - 1: the greatest varint",
    [data(0, 0x0202, "first", "00", { total: Number.MAX_SAFE_INTEGER })],
  ),
  accepted(
    "3.2",
    "DATA total in a longer form",
    "c0 0202 | 4025 | 00",
    "37 in two bytes, as in RFC 9000, appendix A.1: taken, never sent",
    [data(0, 0x0202, "first", "00", { total: 37 })],
    false,
  ),
  accepted("3.2", "DATA middle", "85 1000 | 00ff00ff", "channel 5, to the CRC", [
    data(5, 0x1000, "middle", "00ff00ff"),
  ]),
  accepted(
    "3.2",
    "DATA middle with length of two bytes",
    `95 1000 4040 | ${LONG_DATA} | 20 0001`,
    "64 bytes: the shortest length that takes two bytes",
    [data(5, 0x1000, "middle", LONG_DATA), { type: "skip", channel: 0, next: 1 }],
  ),
  accepted(
    "3.2",
    "DATA message in two fragments",
    "d0 0202 06 | 09 | 3132333435 | a0 0203 | 36373839 | cbf43926",
    "'123456789' as '12345' and '6789', with the published check value of CRC-32/ISO-HDLC",
    [
      data(0, 0x0202, "first", "3132333435", { total: 9 }),
      data(0, 0x0203, "last", "36373839", { crc32: "cbf43926" }),
    ],
  ),
  accepted("3.2", "DATA last, nothing but the CRC-32", "a0 0203 | cbf43926", "no byte was left", [
    data(0, 0x0203, "last", "", { crc32: "cbf43926" }),
  ]),
  accepted(
    "3.2",
    "DATA last with length",
    "b9 0203 05 | 39 | cbf43926 | 50 01",
    "channel 9; the length counts the CRC-32; CLOSE follows",
    [data(9, 0x0203, "last", "39", { crc32: "cbf43926" }), { type: "close", reason: 1 }],
  ),
];

const ackVectors = [
  accepted("3.3", "ACK without map", "10 a1b2 c3d5 40 80", "prompt, window 64", [
    ack(0, 0xa1b2, 0xc3d5, 64, "p", ""),
  ]),
  accepted(
    "3.3",
    "ACK with map",
    "17 0015 0001 08 03 | 7ffde0",
    "fragments 0 to 20 but for 1, 2 and 16 (the losses of RFC 8931, figure 3): next is 1, the " +
      "map begins with 2",
    [ack(7, 0x15, 1, 8, "", "7ffde0")],
  ),
  accepted("3.3", "ACK, map across the wrap", "12 a1b2 ffff 08 01 | c1", "0, 1 and 7 are there", [
    ack(2, 0xa1b2, 0xffff, 8, "", "c1"),
  ]),
  accepted("3.3", "ACK, closed window", "1f a1b2 0005 00 00", "channel 15 takes nothing now", [
    ack(15, 0xa1b2, 5, 0, "", ""),
  ]),
  accepted("3.3", "ACK, map cut to nothing", "10 a1b2 0005 ff c0", "prompt and cut, window 255", [
    ack(0, 0xa1b2, 5, 255, "pt", ""),
  ]),
  accepted("3.3", "ACK, largest map", `10 a1b2 0005 ff 60 | ${FULL_MAP}`, "32 bytes, cut there", [
    ack(0, 0xa1b2, 5, 255, "t", FULL_MAP),
  ]),
  accepted(
    "3.3",
    "ACK, trailing zero in the map",
    "10 a1b2 0005 08 02 | 8000",
    "says nothing that one byte would not: taken, never sent",
    [ack(0, 0xa1b2, 5, 8, "", "8000")],
    false,
  ),
  accepted(
    "3.3",
    "ACK riding on data",
    "10 a1b2 0005 40 00 | 11 a1b2 0001 40 01 80 | e0 0001 | 6f6b",
    "two channels acknowledged, then a message to the CRC",
    [ack(0, 0xa1b2, 5, 64, "", ""), ack(1, 0xa1b2, 1, 64, "", "80"), data(0, 1, "whole", "6f6b")],
  ),
];

const controlVectors = [
  accepted("3.4", "SKIP", "24 0102", "channel 4: nothing before 258 will be sent", [
    { type: "skip", channel: 4, next: 0x0102 },
  ]),
  ...["too large", "not wanted", "damaged", "no longer read"].map((words, index) =>
    accepted("3.4", `STOP ${words}`, `4a ffff 0${index + 1}`, `reason ${index + 1}`, [
      { type: "stop", channel: 10, first: 0xffff, reason: index + 1 },
    ]),
  ),
  accepted("3.4", "STOP, unknown reason", "40 0000 c8", "treated as 2", [
    { type: "stop", channel: 0, first: 0, reason: 200 },
  ]),
  accepted("3.5", "HELLO, least", "31 0014 01", "datagrams of 20 bytes, window 1", [
    { type: "hello", version: 1, mtuBytes: 20, window: 1 },
  ]),
  accepted("3.5", "HELLO, most", "31 ffff ff", "datagrams of 65,535 bytes, window 255", [
    { type: "hello", version: 1, mtuBytes: 65_535, window: 255 },
  ]),
  accepted("3.5", "HELLO of a later version", "3f 00fa 40", "speaks up to version 15", [
    { type: "hello", version: 15, mtuBytes: 250, window: 64 },
  ]),
  ...["done", "shutting down", "fault"].map((words, reason) =>
    accepted("3.6", `CLOSE ${words}`, `50 0${reason}`, `reason ${reason}`, [
      { type: "close", reason },
    ]),
  ),
  accepted("3.6", "CLOSE, unknown reason", "50 4d", "ends the session like any other", [
    { type: "close", reason: 77 },
  ]),
];

const looseVectors = [
  accepted("3.7", "LOOSE whole", "61 | 0a0b0c", "lane 1, to the CRC", [looseWhole(1, "0a0b0c")]),
  accepted("3.7", "LOOSE empty", "60", "lane 0, a message of no bytes", [looseWhole(0, "")]),
  accepted("3.7", "LOOSE whole with length", "6a 02 | 0a0b | 6b 00 | 50 00", "lanes 2 and 3", [
    looseWhole(2, "0a0b"),
    looseWhole(3, ""),
    { type: "close", reason: 0 },
  ]),
  accepted("3.7", "LOOSE first fragment", "65 0a0b 00 | 3132333435", "lane 1, message 0a0b", [
    looseFragment(1, 0x0a0b, 0, "3132333435"),
  ]),
  accepted(
    "3.7",
    "LOOSE last fragment",
    "65 0a0b 81 | 36373839 | cbf43926",
    "the rest of '123456789' and its CRC-32",
    [looseFragment(1, 0x0a0b, 1, "36373839", "cbf43926")],
  ),
  accepted(
    "3.7",
    "LOOSE fragments with length",
    "6d 0a0b 00 05 | 3132333435 | 6d 0a0b 81 08 | 36373839 | cbf43926 | 20 0001",
    "the length stands behind the index and counts the CRC-32",
    [
      looseFragment(1, 0x0a0b, 0, "3132333435"),
      looseFragment(1, 0x0a0b, 1, "36373839", "cbf43926"),
      { type: "skip", channel: 0, next: 1 },
    ],
  ),
  accepted("3.7", "LOOSE 128th fragment", "67 ffff ff | aa | 00000001", "the greatest index, 127", [
    looseFragment(3, 0xffff, 127, "aa", "00000001"),
  ]),
  accepted("3.7", "LOOSE 127th fragment", "64 ffff 7e | aa", "the greatest that is not last", [
    looseFragment(0, 0xffff, 126, "aa"),
  ]),
  accepted("3.7", "LOOSE last, nothing but the CRC-32", "64 0001 82 | ffffffff", "no byte left", [
    looseFragment(0, 1, 2, "", "ffffffff"),
  ]),
];

const extensionVectors = [
  accepted("3.8", "extension, empty", "71 00", "passed over", [
    { type: "extension", kind: 1, bytes: "" },
  ]),
  accepted(
    "3.8",
    "extension before data",
    "7f 03 | aabbcc | e0 0001 | 6f6b",
    "what follows counts",
    [{ type: "extension", kind: 15, bytes: "aabbcc" }, data(0, 1, "whole", "6f6b")],
  ),
  accepted(
    "3.8",
    "extension, longest",
    `70 ff | ${LONG_EXTENSION}`,
    "255 bytes: a datagram of 262, for links that carry it",
    [{ type: "extension", kind: 0, bytes: LONG_EXTENSION }],
  ),
];

export const frames: AcceptedVector[] = [
  ...padVectors,
  ...dataVectors,
  ...ackVectors,
  ...controlVectors,
  ...looseVectors,
  ...extensionVectors,
];
