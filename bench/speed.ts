import { type Preset, presets } from "@fardel/lossy-link";
// The entry of core does not offer it, and the floor below should be the very same code.
import { CRC16_START, updateCrc16 } from "../packages/core/src/wire/crc16.js";
import { type BenchOptions, type Row, rounded } from "./benchmark.js";
import { body, openPair } from "./pair.js";

const MESSAGES = 64;
const MESSAGE_BYTES = 65_536;
const REPETITIONS = 7;
/** Datagrams a second, the project's own target. */
const BAR = 100_000;
const END_US = 10_000_000_000;

export const speed = {
  name: "speed",
  title: "Datagrams a second through two endpoints and the simulated link, on one core",
  notes: [
    `datagrams      on air, of both sides, for 4 MiB in messages of 64 KiB without loss`,
    `datagramsPerS  best of ${REPETITIONS} repetitions in one process, real time`,
    "copyAndCrcPerS what a loop does that only copies each of these datagrams and takes its",
    "               CRC-16 twice: the floor of any implementation",
    "ratio          datagramsPerS ÷ copyAndCrcPerS",
  ],
  async *run({ scale }: BenchOptions): AsyncIterable<Row> {
    for (const preset of ["reference", "ideal"] as const) {
      yield await speedOf(preset, presets[preset](), Math.max(1, Math.round(MESSAGES * scale)));
    }
  },
};

async function speedOf(name: string, medium: Preset, messages: number): Promise<Row> {
  // Watched once, so that the floor works on datagrams of the same lengths.
  const lengths: number[] = [];
  await transfer(medium, messages, lengths);
  let bestS = Number.POSITIVE_INFINITY;
  let floorS = Number.POSITIVE_INFINITY;
  let datagrams = 0;
  for (let i = 0; i < REPETITIONS; i++) {
    const run = await transfer(medium, messages);
    datagrams = run.datagrams;
    bestS = Math.min(bestS, run.seconds);
    floorS = Math.min(floorS, copyAndCrcSeconds(lengths, medium.mtuBytes));
  }
  const datagramsPerS = datagrams / bestS;
  const copyAndCrcPerS = lengths.length / floorS;
  return {
    bench: "speed",
    preset: name,
    mtuBytes: medium.mtuBytes,
    messageBytes: messages * MESSAGE_BYTES,
    datagrams,
    datagramsPerS: Math.round(datagramsPerS),
    copyAndCrcPerS: Math.round(copyAndCrcPerS),
    ratio: rounded(datagramsPerS / copyAndCrcPerS, 3),
    bar: BAR,
  };
}

/** Messages from the gateway to the board, and how long that took. */
async function transfer(medium: Preset, messages: number, lengths?: number[]) {
  const pair = await openPair(1, medium, { sendQueueBytesMax: messages * MESSAGE_BYTES });
  const { gateway, board, clock, b } = pair;
  if (lengths) pair.medium.observe(({ datagram }) => lengths.push(datagram.length));
  const message = body(MESSAGE_BYTES, pair.random);
  let received = 0;
  board.onMessage(({ bytes }) => {
    received += bytes.length;
  });
  const peer = gateway.peer(b.localAddress);
  const startedMs = performance.now();
  let isOver = false;
  const receipts = Array.from({ length: messages }, () => peer.send(message));
  const all = Promise.all(receipts).finally(() => {
    isOver = true;
  });
  await clock.run({ until: () => isOver, untilUs: END_US });
  await all;
  const seconds = (performance.now() - startedMs) / 1000;
  if (received !== messages * MESSAGE_BYTES) throw new Error(`Only ${received} bytes arrived.`);
  return { seconds, datagrams: pair.medium.statistics.carried.datagrams };
}

/** The least that has to be done with each datagram: one copy, a CRC when it leaves, one when it arrives. */
function copyAndCrcSeconds(lengths: readonly number[], mtuBytes: number): number {
  const source = Uint8Array.from({ length: mtuBytes }, (_, i) => (i * 31) & 0xff);
  const target = new Uint8Array(mtuBytes);
  const views = new Map([...new Set(lengths)].map((bytes) => [bytes, source.subarray(0, bytes)]));
  const startedMs = performance.now();
  let sum = 0;
  for (const bytes of lengths) {
    sum ^= updateCrc16(CRC16_START, source, 0, bytes);
    target.set(views.get(bytes) as Uint8Array);
    sum ^= updateCrc16(CRC16_START, target, 0, bytes);
  }
  const seconds = (performance.now() - startedMs) / 1000;
  // Both registers are equal each time; used, so that no compiler leaves the loop out.
  if (sum !== 0) throw new Error("A copy differs from its original.");
  return seconds;
}
