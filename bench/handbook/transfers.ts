import { type Impairments, presets } from "@fardel/lossy-link";
import { body, openPair } from "../pair.js";
import { dataIn } from "./frames-in.js";

/** Long after any of the runs should be over, µs. */
const END_US = 1_000_000_000;
/** Of a full datagram, what is not the message (PROTOCOL.md). */
const PAYLOAD_BYTES = 242;
/** What the first fragment of a message has besides: its total. */
const TOTAL_BYTES = 4;

/** How one message fared. */
export interface Transfer {
  readonly isDelivered: boolean;
  /** Virtual time from the first contact to the last byte, or until it was given up, µs. */
  readonly us: number;
}

/** One message with priority `bulk` over the reference channel, with what befalls it. */
export async function transferOf(
  bytes: number,
  window: number,
  impairments: Impairments,
  seed: number,
): Promise<Transfer> {
  const medium = { ...presets.reference(), ...impairments };
  const { gateway, board, clock, b, random } = await openPair(seed, medium, { window });
  let isDelivered = false;
  let isOver = false;
  board.onMessage(() => {
    isDelivered = true;
  });
  const sent = gateway.peer(b.localAddress).send(body(bytes, random), { priority: "bulk" });
  const over = () => {
    isOver = true;
  };
  sent.then(over, over);
  await clock.run({ until: () => isDelivered || isOver, untilUs: END_US });
  return { isDelivered, us: clock.nowUs() };
}

/** What the reference channel carries without loss: full datagrams only, bytes a µs. */
export function referenceBytesPerUs(): number {
  const { mtuBytes, airtime } = presets.reference();
  const { fixedUs, perByteUs, overheadBytes } = airtime;
  return mtuBytes / (fixedUs + perByteUs * (overheadBytes + mtuBytes));
}

/** Of messages with priority `bulk` (PROTOCOL.md). */
const BULK_CHANNEL = 0;

/** How often the fragments of one message went on air. */
export interface Attempts {
  /** Of the fragment that needed most, until it was delivered. */
  readonly worst: number;
  /** Of all together, also those that were for nothing. */
  readonly all: number;
}

/** A message of so many fragments in a session that is open, over a link that loses no acks. */
export async function attemptsOf(fragments: number, loss: number, seed: number): Promise<Attempts> {
  const medium = { ...presets.reference(), aToB: { loss } };
  const { gateway, board, clock, b, random, medium: air } = await openPair(seed, medium);
  let isOver = false;
  board.onMessage(() => undefined);
  const peer = gateway.peer(b.localAddress);
  const over = () => {
    isOver = true;
  };
  peer.send(new Uint8Array(1), { channel: 3 }).then(over, over);
  await clock.run({ until: () => isOver });
  isOver = false;
  const attempts = new Map<number, number>();
  let worst = 0;
  let all = 0;
  air.observe(({ datagram, fate }) => {
    for (const { channel, fragment } of dataIn(datagram)) {
      if (channel !== BULK_CHANNEL) continue;
      const count = (attempts.get(fragment) ?? 0) + 1;
      attempts.set(fragment, count);
      all++;
      if (fate !== "delivered") continue;
      worst = Math.max(worst, count);
      // Whatever comes after the delivery was not needed for it.
      attempts.set(fragment, Number.NEGATIVE_INFINITY);
    }
  });
  const bytes = fragments * PAYLOAD_BYTES - 2 * TOTAL_BYTES;
  peer.send(body(bytes, random), { priority: "bulk" }).then(over, over);
  await clock.run({ until: () => isOver });
  if (attempts.size !== fragments) throw new Error(`${attempts.size} fragments, not ${fragments}.`);
  return { worst, all };
}

/** Which datagram brought a command of 32 bytes to a board that was never spoken to before. */
export async function attemptsOfFirstContact(loss: number, seed: number): Promise<number> {
  const medium = { ...presets.reference(), loss };
  const pair = await openPair(seed, medium);
  let attempts = 0;
  let isDelivered = false;
  pair.medium.observe((observation) => {
    if (pair.isFromGateway(observation)) attempts++;
  });
  pair.board.onMessage(() => {
    isDelivered = true;
  });
  const receipt = pair.gateway
    .peer(pair.b.localAddress)
    .send(body(32, pair.random), { priority: "urgent" });
  receipt.catch(() => undefined);
  await pair.clock.run({ until: () => isDelivered, untilUs: END_US });
  if (!isDelivered) throw new Error(`No contact with seed ${seed}.`);
  return attempts;
}
