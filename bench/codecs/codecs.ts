import { Random } from "@fardel/lossy-link";
import { type BenchOptions, type Row, rounded } from "../benchmark.js";
import {
  type Contender,
  otherCobs,
  otherCrcs,
  ourCobs,
  ourCrc,
  reusingCobs,
} from "./contenders.js";
import { REPETITIONS, race } from "./race.js";

/** A short datagram, a full one of the reference channel, a full one of the largest links. */
const PAYLOAD_BYTES = [20, 250, 1500];
/** Different ones in turn, so that the processor cannot learn one by heart. */
const PAYLOADS = 64;
/** Share of zero bytes. Rare is what random bytes have; frequent is invented: one byte in four. */
const ZEROS = { rare: 1 / 256, frequent: 1 / 4 } as const;

export type Zeros = keyof typeof ZEROS;

export const codecs = {
  name: "codecs",
  title: "CRC-16 and COBS against packages of the registry that do the same",
  notes: [
    "codec         crc-16: CRC-16/IBM-SDLC; cobs-encode, cobs-decode",
    "against       crc: its crc16kermit; crc, bare: the same without the copy that it makes first;",
    "              crc-full: its CRC16_X_25; cobs",
    "payloadBytes  before stuffing; random",
    "zeros         share of zero bytes: rare 1/256, frequent 1/4",
    `oursMbPerS    payload, 10^6 bytes a second, best of ${REPETITIONS} in turn with theirs; real time`,
    "reusedMbPerS  ours into a buffer that is used again, as the serial link calls it; the other two",
    "              make a new Buffer for each result",
    "ratio         oursMbPerS ÷ theirsMbPerS",
    "bar           what ratio should be above",
  ],
  async *run({ scale }: BenchOptions): AsyncIterable<Row> {
    for (const payloadBytes of PAYLOAD_BYTES) yield* crcRows(payloadBytes, scale);
    for (const zeros of ["rare", "frequent"] as const) {
      for (const payloadBytes of PAYLOAD_BYTES) yield* cobsRows(payloadBytes, zeros, scale);
    }
  },
};

/** Random payloads with zeros at the rate asked for. */
export function payloadsOf(payloadBytes: number, zeros: Zeros): Buffer[] {
  const random = new Random(`${payloadBytes} ${zeros}`);
  const byte = () => {
    const draw = random.uint32();
    return draw < ZEROS[zeros] * 2 ** 32 ? 0 : 1 + (random.uint32() % 255);
  };
  return Array.from({ length: PAYLOADS }, () =>
    Buffer.from(Uint8Array.from({ length: payloadBytes }, byte)),
  );
}

function* crcRows(payloadBytes: number, scale: number): Iterable<Row> {
  const payloads = payloadsOf(payloadBytes, "rare");
  for (const other of otherCrcs) requireSame(payloads, ourCrc, other);
  const [oursMs = 0, ...othersMs] = race(
    [ourCrc, ...otherCrcs].map((contender) => contender.lap(payloads)),
    scale,
  );
  const oursMbPerS = mbPerS(payloadBytes, oursMs);
  for (const [i, { name }] of otherCrcs.entries()) {
    const theirsMbPerS = mbPerS(payloadBytes, othersMs[i] as number);
    yield rowOf({ codec: "crc-16", against: name, zeros: "rare", payloadBytes }, [
      oursMbPerS,
      theirsMbPerS,
    ]);
  }
}

function* cobsRows(payloadBytes: number, zeros: Zeros, scale: number): Iterable<Row> {
  const payloads = payloadsOf(payloadBytes, zeros);
  const stuffed = payloads.map((bytes) => Buffer.from(ourCobs.encode.once(bytes)));
  requireEqualCobs(payloads);
  for (const direction of ["encode", "decode"] as const) {
    const work = direction === "encode" ? payloads : stuffed;
    const contenders = [ourCobs[direction], otherCobs[direction], reusingCobs[direction]];
    const times = race(
      contenders.map((contender) => contender.lap(work)),
      scale,
    );
    yield rowOf(
      { codec: `cobs-${direction}`, against: otherCobs[direction].name, zeros, payloadBytes },
      times.map((ms) => mbPerS(payloadBytes, ms)),
    );
  }
}

function rowOf(
  columns: Readonly<Record<"codec" | "against" | "zeros", string>> & { payloadBytes: number },
  [ours = 0, theirs = 0, reused]: readonly number[],
): Row {
  const { codec, against, zeros, payloadBytes } = columns;
  return {
    bench: "codecs",
    codec,
    against,
    zeros,
    payloadBytes,
    oursMbPerS: rounded(ours, 1),
    theirsMbPerS: rounded(theirs, 1),
    ...(reused !== undefined && { reusedMbPerS: rounded(reused, 1) }),
    ratio: rounded(ours / theirs, 2),
    bar: 1,
  };
}

function mbPerS(payloadBytes: number, lapMs: number): number {
  return (PAYLOADS * payloadBytes) / (lapMs * 1000);
}

/** A race between two that do different things says nothing. @throws Error */
export function requireSame(
  payloads: readonly Buffer[],
  one: Contender<number>,
  other: Contender<number>,
): void {
  for (const bytes of payloads) {
    const [ours, theirs] = [one.once(bytes), other.once(bytes)];
    if (ours === theirs) continue;
    throw new Error(`${other.name} gives ${theirs} for a payload of which ours is ${ours}.`);
  }
}

/**
 * Both stuff to the same bytes, and each undoes what the other did. Only behind a last group of 254
 * bytes the other package puts an empty group, which says nothing (as the listing of the paper does,
 * from memory).
 * @throws Error
 */
export function requireEqualCobs(payloads: readonly Buffer[]): void {
  for (const bytes of payloads) {
    const ours = Buffer.from(ourCobs.encode.once(bytes));
    const theirs = Buffer.from(otherCobs.encode.once(bytes));
    const withEmptyGroup = Buffer.concat([ours, Uint8Array.of(1)]);
    if (!theirs.equals(ours) && !theirs.equals(withEmptyGroup)) {
      throw new Error(`cobs stuffs ${bytes.length} bytes in another way than ours.`);
    }
    const undone = [ourCobs.decode.once(theirs), otherCobs.decode.once(ours)];
    if (undone.some((result) => Buffer.compare(result, bytes) !== 0)) {
      throw new Error(`${bytes.length} stuffed bytes do not come back as they were.`);
    }
  }
}
