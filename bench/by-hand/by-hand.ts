import { presets } from "@fardel/lossy-link";
import { type BenchOptions, mean, type Row, rounded } from "../benchmark.js";
import { HEADER_BYTES } from "./fragments.js";
import { byHandRun, fardelRun, type Run } from "./transfer.js";
import { chanceOfThreeTimes, THREE_TIMES, WAYS } from "./ways.js";

const SIZES = [16_384, 131_072];
const LOSSES = [0, 0.05, 0.1, 0.2, 0.3];

const { mtuBytes, airtime } = presets.reference();
/** Message bytes a second of the reference channel without loss or headers. */
export const CAPACITY_BYTES_PER_S =
  (mtuBytes * 1e6) / (airtime.fixedUs + airtime.perByteUs * (airtime.overheadBytes + mtuBytes));

/** Fardel, then what people write by hand. */
const PROTOCOLS = [
  { name: "fardel", run: fardelRun },
  ...WAYS.map((way) => ({
    name: way.name,
    run: (bytes: number, loss: number, seed: number) => byHandRun(way, bytes, loss, seed),
  })),
];

export const byHand = {
  name: "by-hand",
  title: "One large message on the reference channel: Fardel and what people write by hand",
  notes: [
    "protocol    stop-and-wait: each fragment is repeated until its ack comes, with a fixed timeout",
    "            after the frame has left; three times: all fragments in three passes, without acks",
    "bytes       of the message; loss: independent, each way",
    "efficiency  as in the benchmark efficiency: until the message is delivered; mean over the seeds,",
    "            0 for a run in which it did not arrive whole",
    "sustained   the same until the sender has nothing more to do for it: message after message",
    "whole       share of the runs in which the message arrived whole",
    "frames      on air, of both sides; mean",
    "expected    whole as computed, (1 − loss³) ^ fragments: for three times, no acks",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    for (const bytes of SIZES) {
      for (const loss of LOSSES) {
        for (const { name, run } of PROTOCOLS) {
          const runs: Run[] = [];
          for (let seed = 1; seed <= seeds; seed++) runs.push(await run(bytes, loss, seed));
          yield rowOf(name, bytes, loss, runs);
        }
      }
    }
  },
};

function rowOf(protocol: string, bytes: number, loss: number, runs: readonly Run[]): Row {
  const capacity = CAPACITY_BYTES_PER_S * (1 - loss);
  const meanEfficiency = (elapsedUs: (run: Run) => number) => {
    const isWhole = (run: Run) => run.deliveredUs > 0 && run.senderDoneUs > 0;
    const values = runs.map((run) =>
      isWhole(run) ? (bytes * 1e6) / elapsedUs(run) / capacity : 0,
    );
    return rounded(mean(values), 4);
  };
  const fragments = Math.ceil(bytes / (mtuBytes - HEADER_BYTES));
  return {
    bench: "by-hand",
    protocol,
    bytes,
    loss,
    seeds: runs.length,
    efficiency: meanEfficiency((run) => run.deliveredUs),
    sustained: meanEfficiency((run) => Math.max(run.deliveredUs, run.senderDoneUs)),
    whole: rounded(mean(runs.map(({ deliveredUs }) => (deliveredUs > 0 ? 1 : 0))), 4),
    frames: Math.round(mean(runs.map(({ frames }) => frames))),
    ...(protocol === THREE_TIMES.name && {
      expected: rounded(chanceOfThreeTimes(fragments, loss), 4),
    }),
  };
}
