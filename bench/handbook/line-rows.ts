import { mean, type Row } from "../benchmark.js";
import { comparisonRow, eachSeed } from "./comparison.js";
import { goBackN, selectiveRepeat, stopAndWait } from "./formulas.js";
import { type Line, utilisation } from "./line.js";

/** Runs are long: one for each 10 that a statistic would have. */
const SEEDS_SHARE = 10;

/** The reference channel's bits, without its fixed time: 2,000 µs a frame. */
const MTU_BYTES = 250;
const PER_BYTE_US = 8;
const FRAME_US = MTU_BYTES * PER_BYTE_US;

/** Enough frames that a wait at one end of the message is little. */
const WINDOWS = [
  { window: 1, frames: 100 },
  { window: 8, frames: 400 },
  { window: 64, frames: 1000 },
];
const PROPAGATIONS = [0, 0.5, 2, 10];
const LOSSES = [0, 0.05, 0.1, 0.2, 0.3];

export async function* utilisationRows(seeds: number): AsyncIterable<Row> {
  const runs = Math.ceil(seeds / SEEDS_SHARE);
  for (const { window, frames } of WINDOWS) {
    for (const a of PROPAGATIONS) {
      for (const loss of LOSSES) {
        const line = {
          mtuBytes: MTU_BYTES,
          perByteUs: PER_BYTE_US,
          propagationUs: a * FRAME_US,
          window,
          loss,
          frames,
        };
        yield comparisonRow({
          part: "utilisation",
          what: window === 1 ? "stop-and-wait" : "selective repeat",
          note: leftOut(window, a, loss),
          source: "SR",
          window,
          a,
          loss,
          runs,
          measured: mean(await eachSeed(runs, (seed) => utilisation(line, seed))),
          formula: window === 1 ? stopAndWait(a, loss) : selectiveRepeat(window, a, loss),
          goBackN: goBackN(window, a, loss),
        });
      }
    }
  }
}

/** What costs most of that which the formula does not know. */
function leftOut(window: number, a: number, loss: number): string {
  if (loss > 0) return window === 1 ? "asks before it repeats" : "waits behind a gap";
  if (window === 1 || a === 0) return "time of the acks";
  // Where a round trip is short compared with the window, acks are asked for at its end only, to spare
  // the air of a half-duplex link (PROTOCOL.md, section 6).
  return 1 + 2 * a >= window / 4 ? "acks for half windows" : "waits for one ack a window";
}

interface Example {
  readonly what: string;
  readonly note: string;
  readonly source: string;
  readonly line: Line;
  readonly formula: number;
}

const EXAMPLES: readonly Example[] = [
  {
    what: "1 Gbit/s, 30 ms there and back, 1,000 bytes",
    // The clock counts whole microseconds, and a frame takes 8 of them.
    note: "all times tenfold",
    source: "KR",
    line: { ...lossless(1, 20), mtuBytes: 1000, perByteUs: 0.08, propagationUs: 150_000 },
    formula: 0.008 / 30.008,
  },
  {
    what: "20 kbit/s, 400 ms one way, 100 bytes",
    note: "acks for half windows",
    source: "EX",
    line: { ...lossless(10, 2000), mtuBytes: 100, perByteUs: 400, propagationUs: 400_000 },
    formula: 10 / 21,
  },
  {
    what: "50 kbit/s, 500 ms there and back, 125 bytes",
    note: "time of the acks",
    source: "T",
    line: { ...lossless(1, 40), ...satellite() },
    formula: 20 / 520,
  },
  {
    what: "50 kbit/s, 500 ms there and back, 125 bytes",
    note: "acks for half windows",
    source: "T",
    line: { ...lossless(26, 2000), ...satellite() },
    formula: 1,
  },
];

function lossless(window: number, frames: number) {
  return { window, frames, loss: 0 };
}

/** 1,000 bits take 20 ms. */
function satellite() {
  return { mtuBytes: 125, perByteUs: 160, propagationUs: 250_000 };
}

export async function* workedRows(seeds: number): AsyncIterable<Row> {
  // Nothing is drawn at random that matters here.
  const runs = Math.min(1, seeds);
  for (const { what, note, source, line, formula } of EXAMPLES) {
    yield comparisonRow({
      part: "worked",
      what,
      note,
      source,
      window: line.window,
      a: line.propagationUs / (line.mtuBytes * line.perByteUs),
      loss: 0,
      runs,
      measured: mean(await eachSeed(runs, (seed) => utilisation(line, seed))),
      formula,
    });
  }
}
