import { Endpoint, type EndpointOptions } from "@fardel/core";
import { type LossyLink, type LossyPair, lossyPair, presets, Random } from "@fardel/lossy-link";
import { body } from "../pair.js";
import { Receiver } from "./receiver.js";
import type { Way } from "./ways.js";

/** Long after any of the runs should be over, µs. */
const END_US = 1_000_000_000;

/** One message over the reference channel in virtual time. */
export interface Run {
  /** From the start to the last byte delivered, whole and as it was sent, µs; 0: never. */
  readonly deliveredUs: number;
  /** From the start until the sender has nothing more to do for this message, µs; 0: it failed. */
  readonly senderDoneUs: number;
  /** On air, of both sides, until then. */
  readonly frames: number;
}

/** What is common to all protocols: the same seed gives the same message, and the same air. */
interface Stage extends LossyPair {
  readonly numbers: Random;
  readonly sent: Uint8Array;
  readonly ended: { deliveredUs: number; senderDoneUs: number; isOver: boolean };
}

/** By hand. */
export async function byHandRun(way: Way, bytes: number, loss: number, seed: number): Promise<Run> {
  const stage = openStage(bytes, loss, seed);
  const { a, b, clock, sent, ended } = stage;
  const receiver = new Receiver({
    link: b,
    acks: way.acks,
    onMessage: (message) => noteDelivered(stage, message),
  });
  const sender = way.sender({
    link: a,
    clock,
    to: b.localAddress,
    bytes: sent,
    onEnd: (end) => {
      if (end !== "given-up") ended.senderDoneUs = clock.nowUs();
      ended.isOver = true;
    },
  });
  b.open({ onDatagram: (from, datagram) => receiver.handleDatagram(from, datagram) });
  a.open({ onDatagram: (_from, datagram) => sender.handleDatagram(datagram) });
  sender.start();
  return play(stage);
}

/** Fardel with its defaults. */
export async function fardelRun(bytes: number, loss: number, seed: number): Promise<Run> {
  const stage = openStage(bytes, loss, seed);
  const { a, b, clock, numbers, sent, ended } = stage;
  const open = (link: LossyLink, name: string): Promise<Endpoint> => {
    const stream = numbers.stream(name);
    const options: EndpointOptions = { link, clock, random: () => stream.uint32() };
    return Endpoint.open(options);
  };
  const gateway = await open(a, "gateway");
  const board = await open(b, "board");
  board.onMessage((message) => noteDelivered(stage, message.bytes));
  gateway
    .peer(b.localAddress)
    .send(sent, { priority: "bulk" })
    .then(
      () => {
        ended.senderDoneUs = clock.nowUs();
        ended.isOver = true;
      },
      () => {
        ended.isOver = true;
      },
    );
  return play(stage);
}

function openStage(bytes: number, loss: number, seed: number): Stage {
  const numbers = new Random(seed);
  return {
    ...lossyPair({ ...presets.reference(), loss, seed }),
    numbers,
    sent: body(bytes, numbers.stream("bench")),
    ended: { deliveredUs: 0, senderDoneUs: 0, isOver: false },
  };
}

function noteDelivered({ sent, ended, clock }: Stage, message: Uint8Array): void {
  if (Buffer.compare(message, sent) === 0) ended.deliveredUs = clock.nowUs();
}

async function play({ clock, medium, ended }: Stage): Promise<Run> {
  await clock.run({ until: () => ended.isOver, untilUs: END_US });
  const { deliveredUs, senderDoneUs } = ended;
  return { deliveredUs, senderDoneUs, frames: medium.statistics.carried.datagrams };
}
