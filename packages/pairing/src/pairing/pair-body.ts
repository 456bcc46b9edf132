import { decodeName, PAIR_NAME_BYTES_MAX } from "./name.js";
import { type PairingWay, TAG_BYTES, WAY_FORMATS, wayOfNumber } from "./way.js";

/** Numbers of the steps; PROTOCOL.md, section 16. */
export const STEP = {
  offer: 1,
  answer: 2,
  proof: 3,
  check: 4,
  kept: 5,
  done: 6,
  wait: 7,
  abort: 8,
} as const;
export type Step = keyof typeof STEP;

/** Why a side ends an exchange; section 16.3. */
export const ABORT_REASON = {
  notInPairingMode: 1,
  busy: 2,
  wayNotOpen: 3,
  wrongProof: 4,
  refused: 5,
  cancelled: 6,
  timeOver: 7,
  unknown: 8,
} as const;
export type AbortReason = (typeof ABORT_REASON)[keyof typeof ABORT_REASON];

/** Where T begins: behind the step. */
export const TRANSCRIPT_OFFSET = 1;
/** Bytes of step and exchange. */
const HEAD_BYTES = 5;
const ABORT_BYTES = HEAD_BYTES + 1;

/** A body of a PAIR datagram. */
export type PairBody =
  | { step: "offer"; exchange: number; way: PairingWay; share: Uint8Array; name: string }
  | { step: "answer"; exchange: number; share: Uint8Array; name: string }
  | { step: "proof" | "check" | "kept" | "done"; exchange: number; proof: Uint8Array }
  | { step: "wait"; exchange: number }
  | { step: "abort"; exchange: number; reason: AbortReason };

/** What every body begins with. */
export interface PairHead {
  readonly step: Step;
  readonly exchange: number;
}

const STEPS = new Map<number, Step>(
  Object.entries(STEP).map(([step, number]) => [number, step as Step]),
);
const REASONS = new Map<number, AbortReason>(
  Object.values(ABORT_REASON).map((reason) => [reason, reason]),
);

/** Step and exchange; nothing if the body is too short or the step unknown. */
export function readPairHead(body: Uint8Array): PairHead | undefined {
  const step = body.length < HEAD_BYTES ? undefined : STEPS.get(body[0]!);
  return step && { step, exchange: viewOf(body).getUint32(1) };
}

/**
 * Reads a body.
 * @param way - that of its exchange; how long the fields are depends on it. OFFER says it itself.
 * @returns nothing if it is malformed. What lies behind the known fields is passed over.
 */
export function decodePairBody(body: Uint8Array, way: PairingWay): PairBody | undefined {
  const head = readPairHead(body);
  if (!head) return undefined;
  const { step, exchange } = head;
  if (step === "offer") return decodeOffer(body, exchange);
  if (step === "answer") return decodeAnswer(body, exchange, way);
  if (step === "wait") return { step, exchange };
  if (step === "abort") {
    const reason = REASONS.get(body[HEAD_BYTES] ?? 0);
    return reason && { step, exchange, reason };
  }
  const proof = fieldAt(body, HEAD_BYTES, proofBytesOf(step, way));
  return proof && { step, exchange, proof };
}

/** Writes an OFFER. @param name - at most 16 bytes */
export function encodeOffer(
  exchange: number,
  way: PairingWay,
  share: Uint8Array,
  name: Uint8Array,
): Uint8Array {
  return written("offer", exchange, Uint8Array.of(WAY_FORMATS[way].number), share, textOf(name));
}

/** Writes an ANSWER. @param name - at most 16 bytes */
export function encodeAnswer(exchange: number, share: Uint8Array, name: Uint8Array): Uint8Array {
  return written("answer", exchange, share, textOf(name));
}

/** Writes a PROOF, CHECK, KEPT or DONE. */
export function encodeProof(
  step: "proof" | "check" | "kept" | "done",
  exchange: number,
  proof: Uint8Array,
): Uint8Array {
  return written(step, exchange, proof);
}

export function encodeWait(exchange: number): Uint8Array {
  return written("wait", exchange);
}

export function encodeAbort(exchange: number, reason: AbortReason): Uint8Array {
  return written("abort", exchange, Uint8Array.of(reason));
}

/** Whether a body is long enough that answering it with ABORT does not make it larger. */
export function isWorthAbort(body: Uint8Array): boolean {
  return body.length >= ABORT_BYTES;
}

function decodeOffer(body: Uint8Array, exchange: number): PairBody | undefined {
  const way = wayOfNumber(body[HEAD_BYTES]);
  if (!way) return undefined;
  const { shareBytes } = WAY_FORMATS[way];
  const share = fieldAt(body, HEAD_BYTES + 1, shareBytes);
  const name = readName(body, HEAD_BYTES + 1 + shareBytes);
  if (!share || name === undefined) return undefined;
  return { step: "offer", exchange, way, share, name };
}

function decodeAnswer(body: Uint8Array, exchange: number, way: PairingWay): PairBody | undefined {
  const { shareBytes } = WAY_FORMATS[way];
  const share = fieldAt(body, HEAD_BYTES, shareBytes);
  const name = readName(body, HEAD_BYTES + shareBytes);
  if (!share || name === undefined) return undefined;
  return { step: "answer", exchange, share, name };
}

function proofBytesOf(step: "proof" | "check" | "kept" | "done", way: PairingWay): number {
  if (step === "proof") return WAY_FORMATS[way].proofBytes;
  return step === "check" ? WAY_FORMATS[way].checkBytes : TAG_BYTES;
}

/** `text`: length, and that many bytes of UTF-8. */
function readName(body: Uint8Array, at: number): string | undefined {
  const length = body[at];
  if (length === undefined || length > PAIR_NAME_BYTES_MAX) return undefined;
  const bytes = fieldAt(body, at + 1, length);
  return bytes && decodeName(bytes);
}

function fieldAt(body: Uint8Array, at: number, size: number): Uint8Array | undefined {
  return at + size <= body.length ? body.slice(at, at + size) : undefined;
}

function textOf(name: Uint8Array): Uint8Array {
  if (name.length > PAIR_NAME_BYTES_MAX) throw new RangeError(`A name of ${name.length} bytes.`);
  return Uint8Array.of(name.length, ...name);
}

function written(step: Step, exchange: number, ...fields: readonly Uint8Array[]): Uint8Array {
  const size = fields.reduce((sum, { length }) => sum + length, HEAD_BYTES);
  const body = new Uint8Array(size);
  body[0] = STEP[step];
  viewOf(body).setUint32(1, exchange);
  let at = HEAD_BYTES;
  for (const field of fields) {
    body.set(field, at);
    at += field.length;
  }
  return body;
}

function viewOf(body: Uint8Array): DataView {
  return new DataView(body.buffer, body.byteOffset, body.length);
}
