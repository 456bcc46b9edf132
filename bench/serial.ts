import { type Clock, Endpoint, SystemClock } from "@fardel/core";
import { Medium, presets, Random, VirtualClock } from "@fardel/lossy-link";
import {
  Bridge,
  linkRadio,
  MemoryLine,
  type PortSource,
  SerialBridgeLink,
} from "@fardel/serial-bridge";
import { nodePortSource } from "@fardel/serial-bridge/node";
import { PtyPair } from "../test/interop/pty-pair.js";
import { type BenchOptions, mean, type Row, rounded } from "./benchmark.js";
import { body } from "./pair.js";

const MESSAGE_BYTES = 131_072;
/** Share of the line's bytes, the project's own target. */
const BAR = 0.93;
const BIT_RATES = [115_200, 921_600];
const LINK_DEPTH = 2;
/** The first one is core's default, and has a bar. */
const LINK_DEPTHS = [LINK_DEPTH, 1, 4];
/** Runs are long and differ little: one for each 20 that a statistic would have. */
const SEEDS_SHARE = 20;
/** A pseudo-terminal has no bit rate; the bridge paces itself by what it is told. */
const PTY_BIT_RATE = 4_000_000;
/** Long after any of the runs should be over, µs. */
const END_US = 1_000_000_000;

const RADIO = Uint8Array.of(2, 0, 0, 0, 0, 1);
const BOARD = Uint8Array.of(2, 0, 0, 0, 0, 2);

/** From the gateway through the line to the board, or the other way. */
type Direction = "push" | "collect";

export const serial = {
  name: "serial",
  title: "One message of 128 KiB over a serial line, datagrams of 250 bytes",
  notes: [
    "line       memory: in virtual time; pty: two pseudo-terminals joined by socat, in real time",
    "direction  push: gateway, line, bridge, board; collect: the other way",
    "linkDepth  of both endpoints; 2 is their default",
    "bytesPerS  message bytes a second, from the first contact to the last byte delivered",
    "share      bytesPerS ÷ (bitRate ÷ 10): of what the line can carry; mean over the seeds",
    "worst      the least of them",
    "payload    the same for the bytes of datagrams, acks and repeats among them: what the link gives",
    "lineShare  message bytes ÷ bytes that the line carried in that direction",
    "repeated   fragments sent again, mean; dropped: datagrams that found no place at the bridge",
    "bar        what payload should reach with the default linkDepth",
  ],
  async *run({ seeds, scale }: BenchOptions): AsyncIterable<Row> {
    const runs = Math.ceil(seeds / SEEDS_SHARE);
    for (const bitRate of BIT_RATES) {
      for (const direction of ["push", "collect"] as const) {
        for (const linkDepth of LINK_DEPTHS) {
          yield await overMemory(direction, bitRate, linkDepth, runs);
        }
      }
    }
    const messageBytes = Math.max(1, Math.round(MESSAGE_BYTES * scale));
    for (const direction of ["push", "collect"] as const) {
      yield await overPty(direction, messageBytes);
    }
  },
};

async function overMemory(
  direction: Direction,
  bitRate: number,
  linkDepth: number,
  seeds: number,
): Promise<Row> {
  const runs: (Run & { readonly lineShare: number })[] = [];
  for (let seed = 1; seed <= seeds; seed++) {
    const clock = new VirtualClock();
    const line = new MemoryLine({ clock });
    const transport = { clock, bitRate, ends: line };
    const run = await settled(
      clock,
      transfer({ ...transport, direction, linkDepth, messageBytes: MESSAGE_BYTES, seed }),
    );
    const { bytes } = line.statistics[direction === "push" ? "toBoard" : "toHost"];
    runs.push({ ...run, lineShare: MESSAGE_BYTES / bytes });
  }
  const bytesPerS = runs.map((run) => run.bytesPerS);
  return {
    bench: "serial",
    line: "memory",
    direction,
    bitRate,
    linkDepth,
    messageBytes: MESSAGE_BYTES,
    seeds,
    bytesPerS: Math.round(mean(bytesPerS)),
    share: rounded(mean(bytesPerS) / (bitRate / 10), 4),
    worst: rounded(Math.min(...bytesPerS) / (bitRate / 10), 4),
    payload: rounded(mean(runs.map((run) => run.datagramBytesPerS)) / (bitRate / 10), 4),
    lineShare: rounded(mean(runs.map((run) => run.lineShare)), 4),
    repeated: Math.round(mean(runs.map((run) => run.repeated))),
    dropped: Math.round(mean(runs.map((run) => run.dropped))),
    ...(linkDepth === LINK_DEPTH && { bar: BAR }),
  };
}

async function overPty(direction: Direction, messageBytes: number): Promise<Row> {
  const bitRate = PTY_BIT_RATE;
  const row = { direction, bitRate, linkDepth: LINK_DEPTH, messageBytes, seeds: 1 };
  let pair: PtyPair;
  try {
    pair = await PtyPair.open();
  } catch (error) {
    if (!isMissing(error)) throw error;
    return { bench: "serial", line: "pty: not measured, socat is missing", ...row };
  }
  try {
    const ends = {
      host: nodePortSource({ path: pair.hostPath }),
      board: nodePortSource({ path: pair.boardPath }),
    };
    const clock = new SystemClock();
    const run = await transfer({ clock, ends, seed: 1, ...row });
    const { repeated, dropped } = run;
    const bytesPerS = Math.round(run.bytesPerS);
    return { bench: "serial", line: "pty", ...row, bytesPerS, repeated, dropped };
  } finally {
    await pair.close();
  }
}

interface Transfer {
  readonly clock: Clock;
  readonly ends: { readonly host: PortSource; readonly board: PortSource };
  readonly bitRate: number;
  readonly direction: Direction;
  readonly linkDepth: number;
  readonly messageBytes: number;
  readonly seed: number;
}

interface Run {
  readonly bytesPerS: number;
  /** Bytes of datagrams that crossed the line, as the gateway's link counts them. */
  readonly datagramBytesPerS: number;
  readonly repeated: number;
  readonly dropped: number;
}

/** One message between two endpoints that have never spoken; everything is closed after that. */
async function transfer(options: Transfer): Promise<Run> {
  const { clock, ends, bitRate, direction, linkDepth, messageBytes, seed } = options;
  const numbers = new Random(seed);
  const draws = (name: string) => {
    const stream = numbers.stream(name);
    return () => stream.uint32();
  };
  const medium = new Medium({ ...presets.ideal(), mtuBytes: 250, clock });
  const radio = medium.attach({ address: RADIO });
  const bridge = await Bridge.start({
    source: ends.board,
    radio: linkRadio(radio),
    clock,
    bitRate,
    random: draws("bridge"),
  });
  const link = await SerialBridgeLink.connect(ends.host, { clock, bitRate, random: draws("host") });
  const gateway = await Endpoint.open({ link, clock, linkDepth, random: draws("gateway") });
  const board = await Endpoint.open({
    link: medium.attach({ address: BOARD }),
    clock,
    linkDepth,
    random: draws("board"),
  });
  try {
    const sent = body(messageBytes, numbers.stream("message"));
    const [from, to, address] =
      direction === "push" ? [gateway, board, BOARD] : [board, gateway, RADIO];
    const sinceUs = clock.nowUs();
    let deliveredUs = 0;
    to.onMessage(({ bytes }) => {
      if (Buffer.compare(bytes, sent) === 0) deliveredUs = clock.nowUs();
    });
    const receipt = await from.peer(address).send(sent, { priority: "bulk" });
    const report = gateway.peer(BOARD).report();
    const datagramBytes = direction === "push" ? report?.bytesSent : report?.bytesReceived;
    if (deliveredUs === 0) throw new Error("The message did not arrive as it was sent.");
    const elapsedS = (deliveredUs - sinceUs) / 1e6;
    return {
      bytesPerS: messageBytes / elapsedS,
      datagramBytesPerS: (datagramBytes ?? 0) / elapsedS,
      repeated: receipt.fragmentsRepeated,
      dropped: bridge.statistics.datagramsDropped ?? 0,
    };
  } finally {
    await Promise.all([gateway.close(), board.close()]);
    await bridge.close();
  }
}

/** Lets virtual time pass until a promise is settled. */
async function settled<T>(clock: VirtualClock, promise: Promise<T>): Promise<T> {
  let isSettled = false;
  const note = () => {
    isSettled = true;
  };
  promise.then(note, note);
  await clock.run({ until: () => isSettled, untilUs: END_US });
  if (!isSettled) throw new Error(`Not settled after ${END_US / 1e6} s.`);
  return promise;
}

function isMissing(error: unknown): boolean {
  const cause = error instanceof Error ? error.cause : undefined;
  return cause instanceof Error && "code" in cause && cause.code === "ENOENT";
}
