import { type Observation, presets } from "@fardel/lossy-link";
import { type BenchOptions, largest, mean, type Row, rounded } from "./benchmark.js";
import { type BenchPair, body, openPair } from "./pair.js";

const BLOB_BYTES = 131_072;
const COMMAND_BYTES = 32;
/** Commands come this long after one another, drawn at random, µs: a dozen for each blob. */
const GAP_US = [50_000, 180_000] as const;
/** Frames handed over before the command: the default `linkDepth`. */
const BAR = 2;
const END_US = 100_000_000;

/** What was in front of one command. */
interface Wait {
  /** Datagrams of the gateway that left between the call and the command. */
  readonly datagrams: number;
  /** The same with those of the board. */
  readonly frames: number;
  /** From the call until the datagram with the command had left the air. */
  readonly delayUs: number;
}

export const urgent = {
  name: "urgent",
  title: "An urgent command of 32 bytes while a blob of 128 KiB is under way, reference channel",
  notes: [
    "datagramsInFront  datagrams of the gateway on air or queued at the link in front of it",
    "framesInFront     the same with the board's: all that used the air before it",
    "delayUs           from the call until its datagram has left the air the first time, µs",
    "blobUs            from the first contact to the blob's receipt, µs",
    "bar               at most so many datagrams in front: what the link holds already",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    for (const loss of [0, 0.1, 0.3]) {
      const waits: Wait[] = [];
      const blobsUs: number[] = [];
      for (let seed = 1; seed <= Math.ceil(seeds / 5); seed++) {
        const run = await runDuringBlob(seed, loss);
        waits.push(...run.waits);
        blobsUs.push(run.blobUs);
      }
      const datagrams = waits.map((wait) => wait.datagrams);
      const frames = waits.map((wait) => wait.frames);
      const delays = waits.map((wait) => wait.delayUs);
      yield {
        bench: "urgent",
        blobBytes: BLOB_BYTES,
        commandBytes: COMMAND_BYTES,
        loss,
        commands: waits.length,
        datagramsInFrontMax: largest(datagrams),
        datagramsInFrontMean: rounded(mean(datagrams), 2),
        framesInFrontMax: largest(frames),
        framesInFrontMean: rounded(mean(frames), 2),
        delayUsMax: largest(delays),
        delayUsMean: Math.round(mean(delays)),
        blobUsMax: largest(blobsUs),
        blobUsMean: Math.round(mean(blobsUs)),
        bar: BAR,
      };
    }
  },
};

interface Command {
  readonly bytes: Uint8Array;
  readonly issuedUs: number;
  datagrams: number;
  frames: number;
}

async function runDuringBlob(seed: number, loss: number) {
  const pair = await openPair(seed, { ...presets.reference(), loss });
  const { gateway, clock, b, medium } = pair;
  const waits: Wait[] = [];
  let command: Command | undefined;
  let isOver = false;
  medium.observe((observation) => {
    if (!command) return;
    const wait = follow(command, observation, pair);
    if (!wait) return;
    waits.push(wait);
    command = undefined;
  });
  const over = () => {
    isOver = true;
  };
  const blob = gateway.peer(b.localAddress).send(body(BLOB_BYTES, pair.random), {
    priority: "bulk",
  });
  blob.then(over, over);
  const issueLater = () => {
    clock.setTimer(clock.nowUs() + pair.random.integer(...GAP_US), () => {
      if (isOver) return;
      // One at a time: the next only when this one has been on air.
      if (!command) {
        const bytes = body(COMMAND_BYTES, pair.random);
        command = { bytes, issuedUs: clock.nowUs(), datagrams: 0, frames: 0 };
        gateway.peer(b.localAddress).send(bytes, { priority: "urgent" }).catch(over);
        clock.wakeWaiters();
      }
      issueLater();
    });
  };
  issueLater();
  await clock.run({ until: () => isOver, untilUs: END_US });
  return { waits, blobUs: clock.nowUs() };
}

/** Counts one frame; says how the command waited if this is the first frame that carries it. */
function follow(command: Command, observation: Observation, pair: BenchPair): Wait | undefined {
  const { datagrams, frames } = command;
  if (!pair.isFromGateway(observation)) {
    command.frames++;
    return undefined;
  }
  // Nothing is encrypted: whoever watches the air sees the command's bytes.
  if (Buffer.from(observation.datagram).includes(Buffer.from(command.bytes))) {
    return { datagrams, frames, delayUs: observation.leftAtUs - command.issuedUs };
  }
  command.datagrams++;
  command.frames++;
  return undefined;
}
