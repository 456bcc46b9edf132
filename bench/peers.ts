import { setFlagsFromString } from "node:v8";
import { runInNewContext } from "node:vm";
import { Endpoint } from "@fardel/core";
import { Random, VirtualClock } from "@fardel/lossy-link";
import { type BenchOptions, type Row, rounded } from "./benchmark.js";
import { body } from "./pair.js";
import { Playback, type Recorded, Star } from "./star.js";

const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 0);
const PEERS = [1, 100, 10_000];
/** Readings that are measured, in all. */
const READINGS = 40_000;
const READING_BYTES = 24;
/** Between two readings, whichever board sends them, µs. */
const READING_US = 500;
const REPETITIONS = 5;
/** Endpoints with their peers that are weighed together: one alone drowns in the heap's noise. */
const WEIGHED_PEERS = 2_000;

/** What reaches a gateway while its boards do something. */
interface Scene {
  readonly datagrams: Recorded[];
  /** Some datagrams carry no message: they only keep a session going. */
  readonly messages: number;
}

/** One after the other. */
interface Recording {
  /** Every board opens its session with a reading. */
  readonly opening: Scene;
  /** All boards send readings in turn. */
  readonly inTurn: Scene;
  /** Only the first board sends readings. */
  readonly alone: Scene;
}

/** The gateway's time for one datagram, µs. */
interface Cost {
  readonly inTurnUs: number;
  readonly aloneUs: number;
}

export const peers = {
  name: "peers",
  title: "Cost of many peers on one endpoint",
  notes: [
    "peers             boards with an open session, which send readings of 24 bytes to one gateway",
    "datagrams         received by the gateway, each with a reading to acknowledge",
    "usPerDatagram     the gateway's own time for each, its acks included, µs (best of 5), while the",
    "                  boards take turns; alone: while only one of them sends, and the others idle",
    "costRatio         the same ÷ that of one peer; flat is 1",
    "heapBytesPerPeer  kept by an idle gateway for each peer with an open session",
  ],
  async *run({ scale }: BenchOptions): AsyncIterable<Row> {
    let one: Cost | undefined;
    for (const count of PEERS.map((peersMax) => Math.max(1, Math.round(peersMax * scale)))) {
      const rounds = Math.max(1, Math.round((READINGS * scale) / count));
      const recording = await record(count, rounds);
      const heapBytesPerPeer = await heapPerPeer(recording, count, scale);
      const cost = await costOf(recording);
      one ??= cost;
      yield {
        bench: "peers",
        peers: count,
        datagrams: recording.inTurn.datagrams.length,
        usPerDatagram: rounded(cost.inTurnUs, 3),
        costRatio: rounded(cost.inTurnUs / one.inTurnUs, 2),
        aloneUsPerDatagram: rounded(cost.aloneUs, 3),
        aloneCostRatio: rounded(cost.aloneUs / one.aloneUs, 2),
        heapBytesPerPeer: Math.round(heapBytesPerPeer),
      };
    }
  },
};

/**
 * Lets real boards talk to a gateway and keeps what reached it. Played to a gateway with the same
 * random numbers at the same instants, it is taken just as the first time, and no board's work is in
 * the time that is measured.
 */
async function record(count: number, rounds: number): Promise<Recording> {
  const clock = new VirtualClock();
  const star = new Star(clock);
  await openGateway(clock, star.link(GATEWAY, GATEWAY));
  const numbers = new Random(2);
  const boards: Endpoint[] = [];
  for (let i = 1; i <= count; i++) {
    const address = Uint8Array.of(2, 1, 0, i >> 16, i >> 8, i);
    const stream = numbers.stream(String(i));
    const link = star.link(address, GATEWAY);
    boards.push(await Endpoint.open({ link, clock, random: () => stream.uint32() }));
  }
  const reading = body(READING_BYTES, numbers.stream("reading"));
  /** The first `senders` boards send one reading each, and all have their receipts. */
  const sendRound = async (senders: number) => {
    let left = senders;
    let failure: { error: unknown } | undefined;
    for (const [i, board] of boards.slice(0, senders).entries()) {
      clock.setTimer(clock.nowUs() + i * READING_US, () => {
        board
          .peer(GATEWAY)
          .send(reading)
          .then(
            () => {
              left--;
            },
            (error) => {
              failure = { error };
            },
          );
        board.flush();
      });
    }
    await clock.run({ until: () => left === 0 || failure !== undefined });
    if (failure) throw failure.error;
  };
  const scene = async (senders: number, roundCount: number): Promise<Scene> => {
    for (let round = 0; round < roundCount; round++) await sendRound(senders);
    // Until every session is confirmed and quiet: two seconds are more than `confirmDelayUs`.
    await clock.run({ untilUs: clock.nowUs() + 2_000_000 });
    return { datagrams: star.recorded.splice(0), messages: senders * roundCount };
  };
  return {
    opening: await scene(count, 1),
    inTurn: await scene(count, rounds),
    alone: await scene(1, Math.ceil((rounds * count) / 4)),
  };
}

async function openGateway(clock: VirtualClock, link: ReturnType<Playback["link"]>) {
  const stream = new Random(1).stream("gateway");
  const gateway = await Endpoint.open({
    link,
    clock,
    random: () => stream.uint32(),
    // All that connect are strangers until they have proved their address.
    strangersMax: 10_000,
  });
  let readings = 0;
  gateway.onMessage(() => {
    readings++;
  });
  return { gateway, readings: () => readings };
}

async function openPlayback() {
  const clock = new VirtualClock();
  const playback = new Playback(clock);
  return { playback, ...(await openGateway(clock, playback.link(GATEWAY))) };
}

async function costOf({ opening, inTurn, alone }: Recording): Promise<Cost> {
  let inTurnUs = Number.POSITIVE_INFINITY;
  let aloneUs = Number.POSITIVE_INFINITY;
  for (let i = 0; i < REPETITIONS; i++) {
    const player = await openPlayback();
    player.playback.play(opening.datagrams);
    inTurnUs = Math.min(inTurnUs, usPerDatagram(player, inTurn));
    aloneUs = Math.min(aloneUs, usPerDatagram(player, alone));
  }
  return { inTurnUs, aloneUs };
}

function usPerDatagram(
  { playback, readings }: Awaited<ReturnType<typeof openPlayback>>,
  { datagrams, messages }: Scene,
): number {
  const before = readings();
  const startedMs = performance.now();
  playback.play(datagrams);
  const us = ((performance.now() - startedMs) * 1000) / datagrams.length;
  const missing = messages - (readings() - before);
  if (missing !== 0) throw new Error(`${missing} readings were not taken when played again.`);
  return us;
}

async function heapPerPeer({ opening }: Recording, count: number, scale: number): Promise<number> {
  const gateways = Math.ceil((WEIGHED_PEERS * scale) / count);
  const opened = [];
  for (let i = 0; i < gateways; i++) opened.push(await openPlayback());
  const before = usedBytes();
  for (const { playback } of opened) playback.play(opening.datagrams);
  const after = usedBytes();
  const known = opened.reduce((sum, { gateway }) => sum + gateway.reports().length, 0);
  if (known !== gateways * count) throw new Error(`Only ${known} peers were remembered.`);
  return (after - before) / known;
}

/** Bytes in use once all that can be has been collected. */
function usedBytes(): number {
  // The flag at run time spares a second process; it is off again for whatever comes after.
  setFlagsFromString("--expose-gc");
  const collect = runInNewContext("gc") as () => void;
  setFlagsFromString("--no-expose-gc");
  collect();
  collect();
  const { heapUsed, arrayBuffers } = process.memoryUsage();
  return heapUsed + arrayBuffers;
}
