import { type Observation, presets } from "@fardel/lossy-link";
import type { AckFrame, DataFrame, Frame } from "../../packages/core/src/wire/index.js";
import type { Row } from "../benchmark.js";
import { framesIn } from "../handbook/frames-in.js";
import { type BenchPair, body, openPair } from "../pair.js";

const MESSAGE_BYTES = 16_384;
const LOSS = 0.2;
const SEED = 7;
/** Of messages with priority `bulk` (PROTOCOL.md). */
const BULK_CHANNEL = 0;
const END_US = 100_000_000;

export const sequence = {
  name: "sequence",
  title: "One transfer of 16 KiB at a loss of 0.2, datagram by datagram",
  notes: [
    "kind      opening: of the session, no data; first: a fragment for the first time; repeat: again;",
    "          question: no data, wants an ack; ack: from the board",
    "fate      what became of the datagram: delivered or lost",
    "fragment  from 0; of an ack: the first one that the board misses; of a question: the last one",
    "          sent before",
    "us        when the datagram had left the air, µs",
  ],
  async *run(): AsyncIterable<Row> {
    const pair = await openPair(SEED, { ...presets.reference(), loss: LOSS });
    const { gateway, clock, b, random } = pair;
    const story = new Story(pair);
    pair.medium.observe((observation) => story.note(observation));
    let isOver = false;
    const over = () => {
      isOver = true;
    };
    gateway
      .peer(b.localAddress)
      .send(body(MESSAGE_BYTES, random), { priority: "bulk" })
      .then(over, over);
    await clock.run({ until: () => isOver, untilUs: END_US });
    yield* story.rows;
  },
};

/** Puts into rows what is seen on the air. */
class Story {
  readonly rows: Row[] = [];
  readonly #pair: BenchPair;
  readonly #seen = new Set<number>();
  /** Number of the message's first fragment: numbers start anywhere. */
  #base = -1;
  #latest = 0;

  constructor(pair: BenchPair) {
    this.#pair = pair;
  }

  note(observation: Observation): void {
    const frames = framesIn(observation.datagram);
    const data = frames.filter(isBulkData);
    for (const { fragment } of data) {
      if (this.#base < 0) this.#base = fragment;
      this.#latest = this.#relative(fragment);
      this.#add(this.#seen.has(fragment) ? "repeat" : "first", this.#latest, observation);
      this.#seen.add(fragment);
    }
    if (data.length > 0) return;
    if (frames.some(({ type }) => type === "hello")) {
      this.#add("opening", this.#latest, observation);
    } else if (this.#pair.isFromGateway(observation)) {
      this.#add("question", this.#latest, observation);
    } else {
      for (const ack of frames.filter(isBulkAck)) {
        this.#add("ack", this.#relative(ack.next), observation);
      }
    }
  }

  #relative(fragment: number): number {
    return (fragment - this.#base) & 0xffff;
  }

  #add(kind: string, fragment: number, { fate, leftAtUs }: Observation): void {
    this.rows.push({ bench: "sequence", kind, fate, fragment, us: leftAtUs });
  }
}

function isBulkData(frame: Frame): frame is DataFrame {
  return frame.type === "data" && frame.channel === BULK_CHANNEL;
}

function isBulkAck(frame: Frame): frame is AckFrame {
  return frame.type === "ack" && frame.channel === BULK_CHANNEL;
}
