/**
 * Protected datagrams of one conversation, PROTOCOL.md, section 17. Fields are written down by hand; keys and tags are
 * OpenSSL's (HKDF of RFC 5869, AES-CCM of RFC 3610).
 */
import { createCipheriv, hkdfSync } from "node:crypto";
import { bytesOf, hexOf, plain } from "./vector.js";

/** A protected datagram, and all that its key and its nonce are made of. */
export interface ProtectedVector {
  readonly name: string;
  readonly section: string;
  /** The whole datagram, tag included. */
  readonly hex: string;
  readonly meaning: string;
  /** Who sends it: 0 initiated the pairing (here the gateway), 1 responded (the board). */
  readonly side: 0 | 1;
  readonly tokenFrom: string;
  readonly saltFrom: string;
  readonly tokenTo: string;
  readonly saltTo: string;
  /** Complete datagram number. */
  readonly number: string;
  readonly pairKey: string;
  /** Of this direction of this session. */
  readonly key: string;
  readonly nonce: string;
  /** What is only authenticated. */
  readonly head: string;
  /** Frames in plain. */
  readonly frames: string;
}

/** Invented. */
export const PAIR_KEY = "000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f";
export const GATEWAY = { token: "a1b2c3d4", salt: "6172676174652d73616c742d" } as const;
export const BOARD = { token: "0f1e2d3c", salt: "626f6172642d73616c742d2d" } as const;
const NOBODY = { token: "00000000", salt: "00".repeat(12) } as const;
const LABEL = "66617264656c2073657373696f6e"; // "fardel session"

interface Side {
  readonly token: string;
  readonly salt: string;
}

function secret(
  text: Pick<ProtectedVector, "name" | "meaning" | "side" | "number">,
  from: Side,
  to: Side,
  head: string,
  frames: string,
  refusedToken = "00000000",
): ProtectedVector {
  const info = plain(`${LABEL} 0${text.side} ${from.token} ${from.salt} ${to.token} ${to.salt}`);
  const bytes = (hex: string) => Uint8Array.from(bytesOf(hex));
  const key = new Uint8Array(hkdfSync("sha256", bytes(PAIR_KEY), bytes(""), bytes(info), 16));
  const nonce = `${text.number}${to.token}${refusedToken}00`;
  const cipher = createCipheriv("aes-128-ccm", key, bytes(nonce), { authTagLength: 8 });
  cipher.setAAD(bytes(head), { plaintextLength: bytes(frames).length });
  const sealed = cipher.update(bytes(frames));
  cipher.final();
  return {
    ...{ name: text.name, section: "17" },
    hex: plain(head) + hexOf([...sealed, ...cipher.getAuthTag()]),
    ...{ meaning: text.meaning, side: text.side },
    ...{ tokenFrom: from.token, saltFrom: from.salt, tokenTo: to.token, saltTo: to.salt },
    ...{ number: text.number, pairKey: PAIR_KEY, key: hexOf([...key]), nonce },
    ...{ head: plain(head), frames: plain(frames) },
  };
}

export const protectedDatagrams: ProtectedVector[] = [
  secret(
    {
      ...{ name: "opening", side: 0, number: "0000a1b2" },
      meaning: "the gateway opens: HELLO and PAD alone, 48 bytes; ask now",
    },
    GATEWAY,
    NOBODY,
    `59 ${GATEWAY.token} 00000000 0000a1b2 ${GATEWAY.salt}`,
    "31 00fa 08 | 0000000000 000000 000000",
  ),
  secret(
    {
      ...{ name: "answer", side: 1, number: "00000f1e" },
      meaning: "the board answers: HELLO and an ack of the opening, 44 bytes",
    },
    BOARD,
    GATEWAY,
    `58 ${BOARD.token} ${GATEWAY.token} 00000f1e ${BOARD.salt}`,
    "31 00fa 08 | 10 a1b2 c3d4 08 80",
  ),
  secret(
    {
      ...{ name: "short datagram", side: 0, number: "0000a1b3" },
      meaning: "the first command, whole, 'fan' on channel 0; ask now",
    },
    GATEWAY,
    BOARD,
    "49 a1b3",
    "e0 c3d4 66616e",
  ),
  secret(
    {
      ...{ name: "NO-SESSION", side: 1, number: "0000a1b4" },
      meaning: "the board has no session with the token 0bad0bad: both salts count as zero",
    },
    NOBODY,
    { token: GATEWAY.token, salt: NOBODY.salt },
    `58 00000000 ${GATEWAY.token} 0000a1b4 0bad0bad 0000000000000000`,
    "51",
    "0bad0bad",
  ),
];
