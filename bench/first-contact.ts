import { presets } from "@fardel/lossy-link";
import { type BenchOptions, largest, percentile, type Row } from "./benchmark.js";
import { body, openPair } from "./pair.js";

const COMMAND_BYTES = 32;
const END_US = 600_000_000;

/** Loss each way, and what the medium adds to a frame's own time on air, there and back, µs. */
const CHANNELS = [
  { loss: 0, roundTripUs: 0 },
  { loss: 0.3, roundTripUs: 0 },
  { loss: 0, roundTripUs: 5_000 },
  { loss: 0.3, roundTripUs: 5_000 },
  { loss: 0, roundTripUs: 500_000 },
  { loss: 0.3, roundTripUs: 500_000 },
];

/** Runs for each seed that was asked for: a 99th percentile needs many. */
const RUNS_PER_SEED = 20;

/**
 * Attempts within which 99 % of single datagrams arrive, lost with probability p each: the least n
 * with pⁿ ≤ 0.01, so 4 for p = 0.3 (computed).
 */
const DELIVERY_BARS: Readonly<Record<number, number>> = { 0: 1, 0.3: 4 };

/** One command to a board that was never spoken to before. */
interface Contact {
  /** Which datagram of the gateway brought the message. */
  readonly attemptsToDelivery: number;
  /** Datagrams of the gateway, and of both, on air until the receipt. */
  readonly attemptsToReceipt: number;
  readonly datagramsToReceipt: number;
  readonly deliveryUs: number;
  readonly receiptUs: number;
  /** Between attempts until the receipt. */
  readonly intervalsUs: readonly number[];
}

export const firstContact = {
  name: "first-contact",
  title: "A command of 32 bytes to a board never spoken to before, nothing configured",
  notes: [
    "roundTripUs         what is added to the reference channel's time on air, there and back, µs",
    "datagramsToReceipt  on air, of both sides, until the sender has its receipt; 2 at no loss",
    "attemptsToDelivery  which datagram of the sender brought the command; bar: the least possible",
    "                    99th percentile",
    "attemptsToReceipt   datagrams of the sender on air until the receipt",
    "intervalUs          between two attempts, µs",
    "P50, P99            median and 99th percentile (nearest rank)",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    for (const { loss, roundTripUs } of CHANNELS) {
      const contacts: Contact[] = [];
      // Without loss every run is the same.
      const runs = loss === 0 ? 1 : seeds * RUNS_PER_SEED;
      for (let seed = 1; seed <= runs; seed++)
        contacts.push(await contact(seed, loss, roundTripUs));
      yield rowOf(contacts, loss, roundTripUs);
    }
  },
};

function rowOf(contacts: readonly Contact[], loss: number, roundTripUs: number): Row {
  const both = (name: string, values: readonly number[]) => ({
    [`${name}P50`]: values.length > 0 ? percentile(values, 0.5) : 0,
    [`${name}P99`]: values.length > 0 ? percentile(values, 0.99) : 0,
  });
  const all = (key: Exclude<keyof Contact, "intervalsUs">) => contacts.map((each) => each[key]);
  return {
    bench: "first-contact",
    loss,
    roundTripUs,
    runs: contacts.length,
    ...both("attemptsToDelivery", all("attemptsToDelivery")),
    bar: DELIVERY_BARS[loss] as number,
    ...both("attemptsToReceipt", all("attemptsToReceipt")),
    ...both("datagramsToReceipt", all("datagramsToReceipt")),
    datagramsToReceiptMax: largest(all("datagramsToReceipt")),
    ...both(
      "intervalUs",
      contacts.flatMap(({ intervalsUs }) => intervalsUs),
    ),
    ...both("deliveryUs", all("deliveryUs")),
    ...both("receiptUs", all("receiptUs")),
  };
}

async function contact(seed: number, loss: number, roundTripUs: number): Promise<Contact> {
  const medium = { ...presets.reference(), loss, delayUs: roundTripUs / 2 };
  const pair = await openPair(seed, medium);
  const { gateway, board, clock, b, a } = pair;
  const command = body(COMMAND_BYTES, pair.random);
  const attemptsUs: number[] = [];
  let startedUs = 0;
  let attemptsToDelivery = 0;
  let deliveryUs = 0;
  let isOver = false;
  pair.medium.observe((observation) => {
    if (!pair.isFromGateway(observation)) return;
    // In the order in which they were delivered or lost: one that is delayed counts as of its leaving.
    startedUs = observation.leftAtUs - a.airtimeUs(observation.datagram.length);
    attemptsUs.push(startedUs);
  });
  board.onMessage(() => {
    deliveryUs = clock.nowUs();
    // The datagram that was observed last is the one with which the message came.
    attemptsToDelivery = attemptsUs.filter((us) => us <= startedUs).length;
  });
  const receipt = gateway.peer(b.localAddress).send(command, { priority: "urgent" });
  receipt.then(
    () => {
      isOver = true;
    },
    () => {},
  );
  await clock.run({ until: () => isOver, untilUs: END_US });
  if (!isOver) throw new Error(`No receipt with seed ${seed}, loss ${loss}, ${roundTripUs} µs.`);
  // What is still on its way has been on air all the same.
  const receiptUs = clock.nowUs();
  const { carried } = pair.medium.statistics;
  const gatewaySent = a.statistics.outcomes.sent;
  const sorted = attemptsUs.sort((one, other) => one - other);
  return {
    attemptsToDelivery,
    attemptsToReceipt: gatewaySent,
    datagramsToReceipt: carried.datagrams,
    deliveryUs,
    receiptUs,
    intervalsUs: sorted.slice(1).map((us, i) => us - (sorted[i] as number)),
  };
}
