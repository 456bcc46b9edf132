import { presets } from "@fardel/lossy-link";
import { type BenchOptions, mean, type Row, rounded } from "./benchmark.js";
import { body, openPair } from "./pair.js";

const LOSSES = [0, 0.05, 0.1, 0.2, 0.3];

/** The project's own targets, by size and window, for each of the losses. */
const TARGETS = [
  { bytes: 131_072, window: 64, bars: [0.95, 0.945, 0.94, 0.93, 0.92] },
  { bytes: 16_384, window: 64, bars: [0.93, 0.92, 0.91, 0.88, 0.84] },
  { bytes: 131_072, window: 8, bars: [0.9, 0.88, 0.86, 0.81, 0.75] },
];

/** Long after any of the runs should be over, µs. */
const END_US = 1_000_000_000;

export const efficiency = {
  name: "efficiency",
  title: "Efficiency of one large message on the reference channel",
  notes: [
    "efficiency  mean over the seeds; 1 is the capacity of the erasure channel:",
    "            message bytes/s ÷ (250 bytes per airtime of a full frame × (1 − loss))",
    "worst       the least of them (0: a message did not arrive whole)",
    "bytes       of the message; window: fragments; loss: independent, each way",
    "bar         what the mean should reach",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    for (const { bytes, window, bars } of TARGETS) {
      for (const [i, loss] of LOSSES.entries()) {
        const values: number[] = [];
        for (let seed = 1; seed <= seeds; seed++) {
          values.push(await efficiencyOf(bytes, window, loss, seed));
        }
        const worst = values.reduce((least, value) => Math.min(least, value), 1);
        yield {
          bench: "efficiency",
          bytes,
          window,
          loss,
          seeds,
          efficiency: rounded(mean(values), 4),
          worst: rounded(worst, 4),
          bar: bars[i] as number,
        };
      }
    }
  },
};

/** From the first datagram of the first contact to the last byte delivered; 0 if it failed. */
export async function efficiencyOf(
  bytes: number,
  window: number,
  loss: number,
  seed: number,
): Promise<number> {
  const pair = await openPair(seed, { ...presets.reference(), loss }, { window });
  const { gateway, board, clock, a, b } = pair;
  const sent = body(bytes, pair.random);
  let deliveredUs = 0;
  let hasFailed = false;
  board.onMessage((message) => {
    deliveredUs = clock.nowUs();
    hasFailed = !sameBytes(message.bytes, sent);
  });
  gateway
    .peer(b.localAddress)
    .send(sent, { priority: "bulk" })
    .catch(() => {
      hasFailed = true;
    });
  await clock.run({ until: () => deliveredUs > 0 || hasFailed, untilUs: END_US });
  if (hasFailed || deliveredUs === 0) return 0;
  const capacity = (a.mtuBytes / a.airtimeUs(a.mtuBytes)) * (1 - loss);
  return bytes / deliveredUs / capacity;
}

function sameBytes(one: Uint8Array, other: Uint8Array): boolean {
  return Buffer.compare(one, other) === 0;
}
