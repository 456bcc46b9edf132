/** Heads of section 2, and datagrams as they open, answer, fill and end a session. */
import { type AcceptedVector, RECEIVER, SENDER, sealed, UNKNOWN } from "./vector.js";

const HELLO = { type: "hello", version: 1, mtuBytes: 250, window: 64 };
/** 242 bytes: what a full datagram leaves to the caller. */
const FULL = "a5".repeat(242);

function short(
  name: string,
  ask: number,
  number: string,
  hex: string,
  meaning: string,
  frames: AcceptedVector["frames"] = [],
): AcceptedVector {
  const numberLow = Number.parseInt(number.slice(4), 16);
  return {
    name,
    section: "2.1",
    hex: sealed(hex, RECEIVER, SENDER, number),
    meaning,
    tokenTo: RECEIVER,
    tokenFrom: SENDER,
    number,
    canonical: true,
    head: { form: "short", ask, numberLow },
    frames,
  };
}

function long(
  name: string,
  ask: number,
  [tokenFrom, tokenTo, number]: readonly [string, string, string],
  hex: string,
  meaning: string,
  frames: AcceptedVector["frames"] = [],
  canonical = true,
): AcceptedVector {
  return {
    name,
    section: "2.2",
    hex: sealed(hex, tokenTo, tokenFrom, number),
    meaning,
    tokenTo,
    tokenFrom,
    number,
    canonical,
    head: { form: "long", ask, tokenFrom, tokenTo, number },
    frames,
  };
}

export const heads: AcceptedVector[] = [
  short(
    "short, no ask",
    0,
    "0000a1b2",
    "40 a1b2",
    "nothing but a number, the first one: token >> 16",
  ),
  short("short, ask now", 1, "0000a1b3", "41 a1b3", "an empty probe: an ack is wanted now"),
  short("short, ask next", 2, "0000a1b4", "42 a1b4", "the next datagram will ask"),
  short("short, ask after next", 3, "0000a1b5", "43 a1b5", "the one after the next will ask"),
  short(
    "short, number beyond 16 bits",
    0,
    "00010005",
    "40 0005",
    "only the low half is sent; the complete number enters the CRC",
  ),
  short(
    "short, greatest number",
    0,
    "ffffffff",
    "40 ffff",
    "the number before it starts again at 0",
  ),
  short(
    "full datagram",
    2,
    "0000a1b6",
    `42 a1b6 | 80 c3d5 | ${FULL}`,
    "250 bytes, 242 of them the caller's: a middle fragment of channel 0",
    [
      {
        type: "data",
        channel: 0,
        fragment: 0xc3d5,
        first: false,
        last: false,
        total: 0,
        crc32: "00000000",
        bytes: FULL,
      },
    ],
  ),
  short(
    "smallest MTU",
    1,
    "0000a1b7",
    "41 a1b7 | 81 0001 | 000102030405060708090a0b",
    "20 bytes, 12 of them the caller's",
    [
      {
        type: "data",
        channel: 1,
        fragment: 1,
        first: false,
        last: false,
        total: 0,
        crc32: "00000000",
        bytes: "000102030405060708090a0b",
      },
    ],
  ),
  long(
    "opening without data",
    1,
    [SENDER, UNKNOWN, "0000a1b2"],
    "51 | a1b2c3d4 | 00000000 | 0000a1b2 | 31 00fa 40",
    "token to is 0, in the datagram and in the CRC; from a link too small for padding",
    [HELLO],
  ),
  long(
    "opening with data",
    1,
    [SENDER, UNKNOWN, "0000a1b2"],
    `51 | a1b2c3d4 | 00000000 | 0000a1b2 | 31 00fa 40 | f0 c3d4 05 66616e2033 | ${"00".repeat(20)}`,
    "48 bytes: HELLO, the message 'fan 3' on channel 0, 20 PAD; fragments start at token & ffff",
    [
      HELLO,
      {
        type: "data",
        channel: 0,
        fragment: 0xc3d4,
        first: true,
        last: true,
        total: 0,
        crc32: "00000000",
        bytes: "66616e2033",
      },
    ],
    false,
  ),
  long(
    "answer to an opening",
    0,
    [RECEIVER, SENDER, "00000f1e"],
    "50 | 0f1e2d3c | a1b2c3d4 | 00000f1e | 31 00fa 40 | 10 a1b2 c3d5 40 80",
    "both tokens; fragment c3d4 of channel 0 has arrived, c3d5 is the first missing",
    [
      HELLO,
      {
        type: "ack",
        channel: 0,
        largest: 0xa1b2,
        next: 0xc3d5,
        window: 64,
        prompt: true,
        truncated: false,
        map: "",
      },
    ],
  ),
  long(
    "confirmation",
    1,
    [SENDER, RECEIVER, "0000a1b3"],
    "51 | a1b2c3d4 | 0f1e2d3c | 0000a1b3",
    "an empty long datagram that echoes the peer's token and asks for an ack",
  ),
  long(
    "long, greatest values",
    3,
    ["ffffffff", "fffffffe", "fffffffd"],
    "53 | ffffffff | fffffffe | fffffffd",
    "tokens and number are unsigned",
  ),
  long(
    "no session",
    0,
    [UNKNOWN, SENDER, "00000000"],
    "50 | 00000000 | a1b2c3d4 | 00000000 | 51",
    "16 bytes; token from is 0 with this frame alone",
    [{ type: "no-session" }],
  ),
];
