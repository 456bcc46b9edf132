/**
 * A pairing of each way with fixed draws, and datagrams of discovery: PROTOCOL.md, sections 15 and 16. What is computed is
 * OpenSSL's; SPAKE2 is that of packages/board-c/test/support/p256.ts. Nothing of the product is used.
 */
import { createHash, createHmac } from "node:crypto";
import {
  add,
  BASE,
  bytesOfPoint,
  M,
  multiply,
  N,
  negative,
  numberOf,
} from "../../packages/board-c/test/support/p256.js";
import { answerCiphers } from "../../packages/board-c/test/support/told-ciphers.js";
import { bytesOf, crc16, hexOf, plain } from "./vector.js";

/** A whole pairing: bodies of PAIR datagrams. */
export interface PairingVector {
  readonly name: string;
  readonly section: string;
  readonly meaning: string;
  readonly way: "cable" | "code" | "compare" | "renew";
  readonly exchange: string;
  /** What the sides draw: their shares (cable), or secret scalars. */
  readonly drawA: string;
  readonly drawB: string;
  readonly nameA: string;
  readonly nameB: string;
  /** code: `w`. renew: the pair key in use. Else empty. */
  readonly known: string;
  readonly offer: string;
  readonly answer: string;
  readonly proof: string;
  readonly check: string;
  readonly kept: string;
  readonly done: string;
  /** T of section 16.2. */
  readonly transcript: string;
  readonly pairKey: string;
  /** Six digits; for compare. */
  readonly shortCode: string;
}

/** A datagram without session. */
export interface SessionlessVector {
  readonly name: string;
  readonly section: string;
  /** The whole datagram, CRC included. */
  readonly hex: string;
  readonly meaning: string;
}

const NAME_A = "gateway";
const NAME_B = "row 4";
const EXCHANGE = "5eed0001";
const WAYS = { cable: 1, code: 2, compare: 3, renew: 4 } as const;
type Way = keyof typeof WAYS;

const bytes = (hex: string) => Uint8Array.from(bytesOf(hex));
const hex = (some: Uint8Array) => hexOf([...some]);
const ascii = (text: string) => hex(new TextEncoder().encode(text));
const text = (value: string) => (value.length + 256).toString(16).slice(1) + ascii(value);
const sha256 = (some: string) => createHash("sha256").update(bytes(some)).digest("hex");
const hmac = (key: string, some: string) =>
  createHmac("sha256", bytes(key)).update(bytes(some)).digest("hex");
/** HKDF-Extract is an HMAC; RFC 5869, section 2.2. */
const extract = (salt: string, secret: string) => hmac(salt, secret);
/** The first block of HKDF-Expand; section 2.3. */
const expand = (prk: string, info: string, count: number) =>
  hmac(prk, `${info}01`).slice(0, 2 * count);
const x25519 = (scalar: string, point: string) =>
  hex(answerCiphers(103, 0, bytes(scalar + point)) as Uint8Array);
const publicOf = (scalar: string) => x25519(scalar, `09${"00".repeat(31)}`);

/** RFC 9382, section 3.3. */
function spake2(w: string, x: string, y: string) {
  const [wn, xn, yn] = [w, x, y].map((value) => numberOf(bytes(value))) as [bigint, bigint, bigint];
  const pA = add(multiply(xn, BASE), multiply(wn, M));
  const pB = add(multiply(yn, BASE), multiply(wn, N));
  const k = multiply(yn, add(pA, negative(multiply(wn, M))));
  const [shareA, shareB, point] = [pA, pB, k].map((each) => hex(bytesOfPoint(each)));
  return { shareA: shareA ?? "", shareB: shareB ?? "", point: point ?? "" };
}

/** A field of TT: its length, 8 bytes, least significant first, and the bytes. */
const counted = (field: string) =>
  (field.length / 2 + 256).toString(16).slice(1) + "00".repeat(7) + field;

/** Ke, cA and cB; RFC 9382, section 4, with T as additional data. */
function confirm(w: string, shareA: string, shareB: string, point: string, transcript: string) {
  const fields = [ascii(NAME_A), ascii(NAME_B), shareA, shareB, point, w];
  const tt = fields.map(counted).join("");
  const hash = sha256(tt);
  const keys = expand(extract("", hash.slice(32)), ascii("ConfirmationKeys") + transcript, 32);
  return { ke: hash.slice(0, 32), cA: hmac(keys.slice(0, 32), tt), cB: hmac(keys.slice(32), tt) };
}

const tag = (prk: string, side: string, step: string) =>
  hmac(expand(prk, ascii(`fardel ${side}`), 32), step).slice(0, 32);

function pairing(way: Way, drawA: string, drawB: string, known: string): PairingVector {
  const points = way === "code" ? spake2(known, drawA, drawB) : undefined;
  const x = way === "compare" || way === "renew" ? publicOf(drawA) : "";
  const commitment = sha256(ascii("fardel compare") + EXCHANGE + x);
  const shareA = points?.shareA ?? (way === "cable" ? drawA : way === "compare" ? commitment : x);
  const shareB = points?.shareB ?? (way === "cable" ? drawB : publicOf(drawB));
  const offer = `${EXCHANGE}0${WAYS[way]}${shareA}${text(NAME_A)}`;
  const answer = `${EXCHANGE}${shareB}${text(NAME_B)}`;
  const transcript = sha256(offer + answer + (way === "compare" ? x : ""));
  const proofs = points && confirm(known, shareA, shareB, points.point, transcript);
  const agreed = x && x25519(drawB, x);
  const secret = proofs?.ke ?? (way === "cable" ? shareA + shareB : agreed + known);
  const prk = extract(transcript, secret);
  const code = Number.parseInt(expand(prk, ascii("fardel short code"), 4), 16) % 1_000_000;
  const proof = proofs?.cA ?? (way === "compare" ? x : tag(prk, "initiator", "03"));
  return {
    ...{ name: way, section: "16.1, 16.2", way, exchange: EXCHANGE, drawA, drawB },
    meaning: `a pairing by ${way}, from OFFER to DONE`,
    ...{ nameA: NAME_A, nameB: NAME_B, known },
    ...{ offer: `01${offer}`, answer: `02${answer}` },
    proof: `03${EXCHANGE}${proof}`,
    check: `04${EXCHANGE}${proofs?.cB ?? tag(prk, "responder", "04")}`,
    kept: `05${EXCHANGE}${tag(prk, "initiator", "05")}`,
    done: `06${EXCHANGE}${tag(prk, "responder", "06")}`,
    ...{ transcript, pairKey: expand(prk, ascii("fardel pair key"), 32) },
    shortCode: way === "compare" ? String(code).padStart(6, "0") : "",
  };
}

const repeated = (byte: string, count: number) => byte.repeat(count);

export const pairings: PairingVector[] = [
  pairing("cable", repeated("a1", 16), repeated("b2", 16), ""),
  pairing("code", repeated("1a", 32), repeated("2b", 32), repeated("07", 32)),
  pairing("compare", repeated("3c", 32), repeated("4d", 32), ""),
  pairing("renew", repeated("5e", 32), repeated("6f", 32), repeated("01", 32)),
];

function sessionless(name: string, section: string, body: string, meaning: string) {
  const whole = `60${plain(body)}`;
  const crc = crc16(bytesOf(whole));
  return { name, section, hex: whole + hexOf([crc & 0xff, crc >> 8]), meaning };
}

const ROW_STATION = text("row-station");

export const sessionlessDatagrams: SessionlessVector[] = [
  sessionless(
    "ANNOUNCE",
    "15.1",
    `01 | 01 06 00fa 08 5000 ${ROW_STATION} ${text(NAME_B)}`,
    "a row station, 'row 4': plain and protected sessions, MTU 250, window 8, messages up to 4096 bytes",
  ),
  sessionless(
    "ANNOUNCE in pairing mode",
    "15.1",
    `01 | 01 f7 00fa 08 5000 ${ROW_STATION} ${text(NAME_B)}`,
    "the same in pairing mode, all four ways open",
  ),
  sessionless(
    "QUERY",
    "15.2",
    `02 | 00000001 0000 00 ${ROW_STATION} ${text("row")} 00`,
    "row stations whose names begin with 'row': answer at once",
  ),
  sessionless(
    "QUERY with a map",
    "15.2",
    `02 | 00000002 0000 00 00 00 02 ffff`,
    "who is there of those who were not heard: all bits are set, so nobody answers",
  ),
  sessionless(
    "QUERY cut short",
    "15.2",
    `02 | 00000003 0000 00 00 00 02 ff`,
    "a map of two bytes, of which one is there: malformed",
  ),
];
