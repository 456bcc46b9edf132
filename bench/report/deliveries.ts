import { presets } from "@fardel/lossy-link";
import { type BenchOptions, percentile, type Row, rounded } from "../benchmark.js";
import { transferOf } from "../handbook/transfers.js";
import { body, openPair } from "../pair.js";

const LOSSES = [0, 0.1, 0.3];
const MESSAGE_BYTES = 16_384;
const WINDOW = 64;
const BLOB_BYTES = 131_072;
const COMMAND_BYTES = 32;
/** Commands come this long after one another, drawn at random, µs, as in the benchmark urgent. */
const GAP_US = [50_000, 180_000] as const;
/** Blobs for a seed's share of commands: a dozen commands fall into each. */
const BLOBS_SHARE = 5;
const END_US = 100_000_000;
/** Steps of the distribution that are kept. */
const STEPS = 50;

export const MESSAGE = "16 KiB message";
export const COMMAND = "32-byte command";

export const deliveries = {
  name: "deliveries",
  title: "How long deliveries take, reference channel",
  notes: [
    "what   a message of 16 KiB to a board never spoken to before; or an urgent command of 32 bytes",
    "       while a blob of 128 KiB is under way",
    "loss   independent, each way",
    "runs   messages that were measured",
    "share  of the runs that took at most us",
    "us     from the call until the board's application has it, µs",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    for (const loss of LOSSES) {
      const times: number[] = [];
      for (let seed = 1; seed <= seeds; seed++) {
        const { isDelivered, us } = await transferOf(MESSAGE_BYTES, WINDOW, { loss }, seed);
        times.push(isDelivered ? us : Number.POSITIVE_INFINITY);
      }
      yield* distribution(MESSAGE, loss, times);
    }
    for (const loss of LOSSES) {
      const times: number[] = [];
      for (let seed = 1; seed <= Math.ceil(seeds / BLOBS_SHARE); seed++) {
        times.push(...(await commandsDuringBlob(loss, seed)));
      }
      yield* distribution(COMMAND, loss, times);
    }
  },
};

function* distribution(what: string, loss: number, times: readonly number[]): Iterable<Row> {
  for (let step = 1; step <= STEPS; step++) {
    const share = step / STEPS;
    const us = percentile(times, share);
    // What never arrives has no time: the curve ends below 1.
    if (!Number.isFinite(us)) return;
    yield { bench: "deliveries", what, loss, runs: times.length, share: rounded(share, 4), us };
  }
}

/** Times of commands that were sent one at a time, until the blob was through. */
async function commandsDuringBlob(loss: number, seed: number): Promise<number[]> {
  const pair = await openPair(seed, { ...presets.reference(), loss });
  const { gateway, board, clock, random } = pair;
  const peer = gateway.peer(pair.b.localAddress);
  const times: number[] = [];
  let issuedUs: number | undefined;
  let isBlobOver = false;
  board.onMessage(({ bytes }) => {
    if (bytes.length !== COMMAND_BYTES || issuedUs === undefined) return;
    times.push(clock.nowUs() - issuedUs);
    issuedUs = undefined;
  });
  const over = () => {
    isBlobOver = true;
  };
  peer.send(body(BLOB_BYTES, random), { priority: "bulk" }).then(over, over);
  const issueLater = () => {
    clock.setTimer(clock.nowUs() + random.integer(...GAP_US), () => {
      if (isBlobOver) return;
      if (issuedUs === undefined) {
        issuedUs = clock.nowUs();
        peer.send(body(COMMAND_BYTES, random), { priority: "urgent" }).catch(over);
        clock.wakeWaiters();
      }
      issueLater();
    });
  };
  issueLater();
  await clock.run({ until: () => isBlobOver && issuedUs === undefined, untilUs: END_US });
  return issuedUs === undefined ? times : [...times, Number.POSITIVE_INFINITY];
}
