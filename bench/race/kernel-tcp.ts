import { readFileSync } from "node:fs";
import { type BenchOptions, largest, mean, type Row, rounded } from "../benchmark.js";
import { CAPACITY_BYTES_PER_S } from "../by-hand/by-hand.js";
import { fardelRun } from "../by-hand/transfer.js";
import { WAYS_UDP } from "../by-hand/ways.js";
import type { Outcome } from "./lane.js";
import { Lanes, type Track } from "./lanes.js";
import type { Contestant } from "./messages.js";
import { obstacle } from "./requirements.js";

const SIZES = [16_384, 131_072];
const LOSSES = [0, 0.05, 0.1, 0.2, 0.3];

/** The first two that the kernel has. All kernels with TCP have reno. */
const CONGESTION_CONTROLS = ["cubic", "bbr", "reno"];
const CONGESTION_CONTROLS_MAX = 2;

/**
 * Places in each station's queue: a window of Fardel, and more than TCP ever fills on this channel but
 * for the end of a slow start without loss (measured: 57). The newest is dropped.
 */
const QUEUE_FRAMES = 64;
/** Real time for one run; what has arrived until then counts. */
const LIMIT_MS = 60_000;
const LIMIT_MS_MIN = 500;
/** Three runs for the usual 100 seeds: they take real time. */
const SEEDS_SHARE = 33;
/** Side by side; each mostly waits for its air. */
const LANES = 3;
/** A run with a frame that was handed on later than this is repeated: about one full frame, µs. */
const LATE_US_MAX = 3000;
const REPEATS_MAX = 2;

export const kernelTcp = {
  name: "kernel-tcp",
  isApart: true,
  title: "One large message over the reference channel in real time: the kernel's TCP and others",
  notes: [
    "protocol    all through the same relay between two network namespaces, one IP datagram of at most",
    "            250 bytes a frame; but for the simulated one, which has no IP and UDP headers",
    "bytes       of the message; loss: independent, each way; seeds: runs",
    "goodput     message bytes/s, from the first call of the sender to the last byte delivered, mean;",
    `            a run not over after ${LIMIT_MS / 1000} s counts what has arrived by then; one that failed, 0`,
    "efficiency  goodput ÷ (250 bytes per airtime of a full frame × (1 − loss))",
    "ratio       goodput ÷ that of the first TCP of the same bytes and loss, if that is not 0",
    "frames      on air, of both sides, until the sender was through; mean",
    "done        share of the runs in which the message arrived whole, in time",
    `dropped     frames for which there was no place in the queue of ${QUEUE_FRAMES}; mean`,
    "lateUs      how late the relay handed on a frame, at worst: above 3000 the run is disturbed",
  ],
  async *run(options: BenchOptions): AsyncIterable<Row> {
    const why = obstacle();
    if (why !== undefined) {
      process.stderr.write(`kernel-tcp is left out. ${why}\n`);
      return;
    }
    const all = contestants(availableCongestionControls());
    const lanes = await Lanes.open(
      LANES,
      all.map(({ contestant }) => contestant),
    );
    yield* race(lanes, all, options);
  },
};

interface Named {
  readonly name: string;
  readonly contestant: Contestant;
}

/** @param available - names of the congestion controls that the kernel has */
export function contestants(available: readonly string[]): Named[] {
  const chosen = CONGESTION_CONTROLS.filter((name) => available.includes(name));
  return [
    ...chosen.slice(0, CONGESTION_CONTROLS_MAX).map((congestionControl): Named => {
      return { name: `TCP ${congestionControl}`, contestant: { kind: "tcp", congestionControl } };
    }),
    { name: "fardel over UDP", contestant: { kind: "fardel" } },
    ...WAYS_UDP.map(({ name }): Named => ({ name, contestant: { kind: "by-hand", way: name } })),
  ];
}

function availableCongestionControls(): string[] {
  return readFileSync("/proc/sys/net/ipv4/tcp_available_congestion_control", "utf8").split(/\s+/);
}

/** All rows; the track is closed at the end, also when the caller wants no more. */
export async function* race(
  track: Track,
  all: readonly Named[],
  { seeds, scale }: BenchOptions,
): AsyncIterable<Row> {
  try {
    const runs = Math.max(1, Math.round(seeds / SEEDS_SHARE));
    const limitMs = Math.max(LIMIT_MS_MIN, Math.round(LIMIT_MS * scale));
    const combinations = SIZES.flatMap((bytes) =>
      LOSSES.map((loss) => ({ bytes: Math.max(1, Math.round(bytes * scale)), loss })),
    );
    // Everything is asked for at once: the lanes are never idle while a row waits for its last run.
    const groups = combinations.map(({ bytes, loss }) => {
      const protocols = all.map(({ name, contestant }) => {
        const outcomes = Array.from({ length: runs }, (_, i) =>
          undisturbed(track, contestant, bytes, loss, i + 1, limitMs),
        );
        const settled = Promise.all(outcomes);
        // Told when its turn comes, or not at all if an earlier one has failed.
        settled.catch(() => {});
        return { name, settled };
      });
      return { bytes, loss, protocols };
    });
    for (const { bytes, loss, protocols } of groups) {
      let baseline: number | undefined;
      for (const { name, settled } of protocols) {
        const row = rowOf(name, bytes, loss, await settled, limitMs, baseline);
        baseline ??= row.goodput;
        yield row;
      }
      yield await simulatedRow(bytes, loss, runs, baseline);
    }
  } finally {
    await track.close();
  }
}

/** One run; another try if the relay was held up, and the least disturbed of all tries at the end. */
async function undisturbed(
  track: Track,
  contestant: Contestant,
  bytes: number,
  loss: number,
  seed: number,
  limitMs: number,
): Promise<Outcome> {
  const run = () =>
    track.run(
      { contestant, bytes, seed },
      { loss, seed, queueFrames: QUEUE_FRAMES, order: "first-come" },
      limitMs,
    );
  let best = await run();
  for (let repeats = 0; repeats < REPEATS_MAX && best.relay.lateUsMax > LATE_US_MAX; repeats++) {
    const other = await run();
    if (other.relay.lateUsMax < best.relay.lateUsMax) best = other;
  }
  return best;
}

function rowOf(
  protocol: string,
  bytes: number,
  loss: number,
  outcomes: readonly Outcome[],
  limitMs: number,
  baseline: number | undefined,
) {
  const goodputs = outcomes.map(({ end, elapsedUs, heldBytes }) => {
    if (end === "done") return (bytes * 1e6) / elapsedUs;
    return end === "late" ? (heldBytes * 1000) / limitMs : 0;
  });
  const relays = outcomes.map(({ relay }) => relay);
  const meanOf = (values: readonly (readonly [number, number])[]) =>
    Math.round(mean(values.map(([one, other]) => one + other)));
  return {
    ...speedRow(protocol, bytes, loss, goodputs, baseline),
    frames: meanOf(relays.map(({ frames }) => frames)),
    done: rounded(mean(outcomes.map(({ end }) => (end === "done" ? 1 : 0))), 2),
    dropped: meanOf(relays.map(({ dropped }) => dropped)),
    lateUs: largest(relays.map(({ lateUsMax }) => lateUsMax)),
  };
}

/** Fardel as in the benchmark by-hand, in virtual time: a datagram of 250 bytes is all Fardel's. */
async function simulatedRow(bytes: number, loss: number, runs: number, baseline = 0): Promise<Row> {
  const all = [];
  for (let seed = 1; seed <= runs; seed++) all.push(await fardelRun(bytes, loss, seed));
  const goodputs = all.map(({ deliveredUs }) =>
    deliveredUs > 0 ? (bytes * 1e6) / deliveredUs : 0,
  );
  return {
    ...speedRow("fardel, simulated", bytes, loss, goodputs, baseline),
    frames: Math.round(mean(all.map(({ frames }) => frames))),
    done: rounded(mean(all.map(({ deliveredUs }) => (deliveredUs > 0 ? 1 : 0))), 2),
  };
}

function speedRow(
  protocol: string,
  bytes: number,
  loss: number,
  goodputs: readonly number[],
  baseline: number | undefined,
) {
  const goodput = mean(goodputs);
  const divisor = baseline ?? goodput;
  return {
    bench: "kernel-tcp",
    protocol,
    bytes,
    loss,
    seeds: goodputs.length,
    goodput: Math.round(goodput),
    efficiency: rounded(goodput / CAPACITY_BYTES_PER_S / (1 - loss), 4),
    // No number says how many times faster than a standstill.
    ...(divisor > 0 && { ratio: rounded(goodput / divisor, 2) }),
  };
}
